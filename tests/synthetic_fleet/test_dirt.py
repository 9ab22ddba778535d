import polars as pl
import pytest

from synthetic_fleet import read_scenario, simulate, simulate_frames

KINDS = (
    "fraction_for_percent", "miles", "fahrenheit", "stuck", "misread", "clock_wrong", "hours_wrong", "odometer_back",
    "odometer_wrong", "duplicate", "late", "swapped_per_pair_year",
)  # fmt: skip
FILE_KINDS = (
    "unordered_per_file", "decimal_comma_per_file", "missing_columns_per_file", "windows_1252_per_file",
    "byte_order_mark_per_file",
)  # fmt: skip


DEPOT_KINDS = tuple(
    f"depot_{name}_per_depot_year" for name in ("fractions", "fahrenheit", "miles", "inches", "point_lost", "repeats")
)


def only(kind, rate):
    return {"dirt": {name: (rate if name == kind else 0) for name in (*KINDS, *FILE_KINDS, *DEPOT_KINDS)}}


@pytest.fixture(scope="module")
def clean():
    fleet = simulate_frames(read_scenario(changes={"dirt": {"enabled": False}}), vehicles=10, weeks=20, seed=4)
    assert fleet.truth["dirt"].is_empty()
    return fleet.drops["snapshots"]


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_dirt_is_listed_and_changes_only_the_vehicles_it_is_listed_for(kind, clean):
    fleet = simulate_frames(read_scenario(changes=only(kind, 3.0)), vehicles=10, weeks=20, seed=4)
    dirt = fleet.truth["dirt"]
    assert set(dirt["kind"]) == {kind.removesuffix("_per_pair_year")}
    rows = fleet.drops["snapshots"].join(clean, on=clean.columns, how="anti", nulls_equal=True)
    listed = set(dirt["vehicle_id"])
    assert set(rows["vehicle_id"]) <= listed
    if kind in ("late", "duplicate"):
        assert rows.is_empty()
    else:
        assert rows.height > 0
    if kind == "duplicate":
        assert fleet.drops["snapshots"].height == clean.height + dirt.height


@pytest.mark.parametrize("kind", DEPOT_KINDS)
def test_a_depots_slip_covers_its_month_and_is_listed_for_each_of_its_vehicles(kind, clean):
    fleet = simulate_frames(read_scenario(changes=only(kind, 4.0)), vehicles=10, weeks=20, seed=4)
    dirt = fleet.truth["dirt"]
    assert set(dirt["kind"]) == {kind.removesuffix("_per_depot_year")}
    depots = dirt.join(fleet.drops["vehicles"].unique("vehicle_id", keep="last"), on="vehicle_id")
    assert depots.select((pl.col("detail") == pl.col("depot")).all()).item()
    changed = fleet.drops["snapshots"].join(clean, on=clean.columns, how="anti", nulls_equal=True)
    inside = changed.join_where(
        dirt.select("from_at", "to_at", of="vehicle_id"), pl.col("vehicle_id") == pl.col("of"),
        pl.col("read_at") >= pl.col("from_at"), pl.col("read_at") <= pl.col("to_at"),
    )  # fmt: skip
    assert changed.height > 0
    assert inside.unique(["vehicle_id", "read_at"]).height == changed.height
    if kind == "depot_fractions_per_depot_year":
        both = fleet.drops["snapshots"].join(clean, on=["vehicle_id", "read_at"], suffix="_clean")
        slipped = both.filter(pl.col("maf_corr_q1") != pl.col("maf_corr_q1_clean"))
        assert slipped.select((pl.col("maf_corr_q1") * 100 - pl.col("maf_corr_q1_clean")).abs().max()).item() < 1e-4


def test_miles_and_fahrenheit_are_what_they_say(clean):
    fleet = simulate_frames(read_scenario(changes=only("miles", 3.0)), vehicles=10, weeks=20, seed=4)
    both = fleet.drops["snapshots"].join(clean, on=["vehicle_id", "read_at"], suffix="_clean")
    ratio = (both["odometer_km_clean"] / both["odometer_km"]).filter(both["odometer_km"] != both["odometer_km_clean"])
    assert ratio.min() == pytest.approx(1.609344, rel=1e-2)
    once = [value for value in ratio if value < 1.7]
    assert once
    assert max(once) == pytest.approx(1.609344, rel=1e-2)


def test_an_odometer_misread_and_set_back_reads_no_less_than_nothing():
    dirt = {"dirt": {name: 12.0 if name.startswith("odometer") else 0 for name in (*KINDS, *FILE_KINDS)}}
    fleet = simulate_frames(read_scenario(changes=dirt), vehicles=40, weeks=20, seed=4)
    assert fleet.drops["snapshots"]["odometer_km"].min() >= 0


@pytest.mark.parametrize("kind", FILE_KINDS)
def test_dirt_of_whole_files_is_listed_with_its_file(kind, tmp_path):
    simulate(read_scenario(changes=only(kind, 1.0)), vehicles=8, weeks=9, seed=4, out=tmp_path)
    dirt = pl.read_parquet(tmp_path / "truth" / "dirt" / "*.parquet")
    assert set(dirt["kind"]) == {kind.removesuffix("_per_file")}
    for name in dirt["file"]:
        assert (tmp_path / name).is_file()
    first = (tmp_path / dirt["file"][0]).read_bytes()
    if kind == "decimal_comma_per_file":
        assert first.splitlines()[0].count(b";") > 20
        assert b"," in first.splitlines()[1]
    if kind == "byte_order_mark_per_file":
        assert first.startswith(b"\xef\xbb\xbf")


def test_a_late_reading_comes_in_a_later_months_drop(tmp_path):
    simulate(read_scenario(changes=only("late", 6.0)), vehicles=8, weeks=20, seed=4, out=tmp_path)
    late = [
        (folder.name, pl.read_parquet(path).filter(pl.col("read_at").dt.strftime("%Y-%m") != folder.name).height)
        for folder in tmp_path.glob("20*")
        for path in folder.glob("snapshots*.parquet")
    ]
    assert sum(count for _, count in late) > 5
