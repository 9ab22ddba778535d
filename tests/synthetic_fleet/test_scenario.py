import pytest

from synthetic_fleet import ScenarioError, read_scenario


def file_with(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_changes_what_it_names_and_nothing_else(tmp_path):
    mine = read_scenario(file_with(tmp_path, "noise = 2.0\n[causes.evap_leak]\nrate = 99\n"))
    demo = read_scenario()
    assert (mine["noise"], mine["causes"]["evap_leak"]["rate"]) == (2.0, 99)
    mine["noise"], mine["causes"]["evap_leak"]["rate"] = demo["noise"], demo["causes"]["evap_leak"]["rate"]
    assert mine == demo


def test_a_family_of_ones_own_can_be_added():
    alder = read_scenario()["families"]["Alder 1.6"]
    mine = read_scenario(changes={"families": {"Larch 1.2": alder}})
    assert "Larch 1.2" in mine["families"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("noisee = 2", "noisee: unknown entry"),
        ("noise = 'loud'", "noise: 'loud' is no number"),
        ("noise = ", "no readable TOML"),
        ("[causes.evap_leak]\nlaws = { sideways = 1 }", "unknown law sideways"),
        ("[[causes.evap_leak.variants]]\nshare = 1\nplace = 'roof'\nchanges = { evap_hole = 1 }", "unknown place roof"),
        (
            "[[causes.evap_leak.variants]]\nshare = 1\nplace = 'engine'\nchanges = { hole = 1 }",
            "unknown parameter hole",
        ),
    ],
)
def test_a_scenario_that_cannot_be_simulated_is_named_in_one_line(tmp_path, text, message):
    with pytest.raises(ScenarioError, match=message) as caught:
        read_scenario(file_with(tmp_path, text))
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(ScenarioError, match=r"none\.toml: no readable TOML"):
        read_scenario(tmp_path / "none.toml")


def test_all_causes_of_the_contract_are_there():
    assert len(read_scenario()["causes"]) == 34
