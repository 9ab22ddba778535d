"""What `leeway explain` says is the data that the product ships, and its examples load. About 2 s."""

import pytest
from click.testing import CliRunner

from pipelines import load_command
from pipelines.catalogue.corrections import built_in_corrections
from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.causes.knowledge import causes
from pipelines.errors import SettingError
from pipelines.explain import column_help, explained, meaning, overview, topics
from pipelines.explain_command import explain
from pipelines.intake import mapping_words
from pipelines.intake.load import load
from pipelines.intake.mapping import read_mapping


def test_every_word_of_the_list_every_table_column_correction_and_cause_is_explained():
    words = [*topics(), *built_in_corrections()["code"], *causes()]
    for table in (*drop_tables().values(), *published_tables().values()):
        words += [table.name, *(f"{table.name}.{column.name}" for column in table.columns)]
        assert all(any(column.name in line for line in explained(table.name)) for column in table.columns)
    assert all(explained(word) for word in words)
    assert "{" not in "".join(line for name in topics() if name != "mapping" for line in explained(name))
    assert any("mapping" in line for line in overview())


def test_units_and_ranges_are_those_that_intake_holds_a_drop_to():
    [line] = [line for line in explained("snapshots") if line.strip().startswith("coolant_c")]
    assert "degC" in line
    assert "-90 to 200; usually -45 to 130" in line


@pytest.mark.parametrize("place", ["explain mapping", "load --help"])
def test_every_word_of_a_mapping_is_named(place):
    told = "\n".join(explained("mapping")) if place == "explain mapping" else (
        CliRunner().invoke(load_command.load, ["--help"]).output
    )  # fmt: skip
    for words in (mapping_words.MAPPING, mapping_words.FILE, mapping_words.LOG, mapping_words.LONG,
                  mapping_words.COLUMN, mapping_words.CONDITION):  # fmt: skip
        assert not [word for word in words if word not in told]


def test_columns_that_mean_one_thing_have_a_line_of_help():
    said = column_help()
    assert said["expected"].startswith("What this vehicle should read now")
    assert "state" not in said  # of a vehicle and of a correction
    assert all(words.endswith(".") and "|" not in words for words in said.values())
    assert meaning("leeway") == "The share of a correction's authority that is still unused"


def test_an_unknown_word_is_answered_with_its_neighbours():
    with pytest.raises(SettingError, match=r"Near it: .*snapshots"):
        explained("snapshot")
    assert explained("Fuel trim") == explained("correction")[: len(explained("Fuel trim"))]


def test_the_example_files_load_as_they_are_and_by_their_mapping(store, tmp_path):
    told = CliRunner().invoke(explain, ["--example", str(tmp_path / "ex")])
    assert told.exit_code == 0, told.output
    report = load(store, [tmp_path / "ex" / "drop"])
    assert (report.exit_code, {file.table for file in report.files if file.loaded}) == (
        0, {"vehicles", "snapshots", "readings", "faults", "work"},
    )  # fmt: skip
    mapped = load(store, [tmp_path / "ex" / "vans.csv"], mapping=read_mapping(tmp_path / "ex" / "vans.mapping.toml"))
    assert (mapped.exit_code, mapped.files[0].loaded) == (0, 36)
    monkey = CliRunner().invoke(
        load_command.load, [str(tmp_path / "ex" / "vans.csv"), "--yes", "--answer", "day_first=day", "--store",
                            str(tmp_path / "other")]
    )  # fmt: skip
    assert monkey.exit_code == 0, monkey.output
