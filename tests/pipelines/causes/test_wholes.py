"""Trims that are read without their region: the mean of what the regions' would show, as uncertain as they differ."""

import pytest

from pipelines.causes.knowledge import causes, wholes


@pytest.mark.parametrize("cause", ["unmetered_air", "fuel_delivery_weak", "injector_leaking"])
def test_a_trim_without_region_is_the_mean_of_its_regions_and_wider(cause):
    for variant in causes()[cause].variants:
        parts = {entry.correction: entry for entry in variant.signature}
        for whole in [name for name in parts if name.startswith("ltft_b{") and name.endswith("}")]:
            regions = [parts[f"{whole}_{region}"] for region in ("idle", "low", "mid", "high") if
                       f"{whole}_{region}" in parts]  # fmt: skip
            shares = [entry.share for entry in regions] + [0.0] * (4 - len(regions))
            assert parts[whole].share == pytest.approx(sum(shares) / 4)
            assert parts[whole].spread ** 2 >= max(shares) ** 2 / 16 - 1e-9
            assert min(shares) <= parts[whole].share <= max(shares)


def test_what_a_trim_leaves_open_is_data():
    said = {whole.code: whole.unsaid for whole in wholes()}
    assert "not told" in said["ltft_b*"]
    assert [whole.code for whole in wholes() if whole.stands_for("ltft_b2")] == ["ltft_b*"]
    assert not [whole.code for whole in wholes() if whole.stands_for("ltft_b2_idle")]
