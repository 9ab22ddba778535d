import tomllib

import pytest

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.errors import SettingError
from pipelines.intake.draft import draft_mapping, preview_mapping
from pipelines.intake.load import load
from pipelines.intake.mapping import mapping_text, parse_mapping
from pipelines.store.published import vehicle_snapshots

FILE = (
    "Fleet number;Date/Time;Engine coolant temperature [°F];Odometer (miles);Long-term fuel trim, bank 1, idle;Red;\n"
    "v1;14.02.2031 08:00;212;1000;3,1 %;red\n"
    "v1;15.02.2031 08:00;194;1010;3,9 %;red\n"
)


@pytest.fixture
def foreign(tmp_path):
    path = tmp_path / "export of reader.csv"
    path.write_text(FILE, encoding="utf-8")
    return path


def test_names_units_and_time_forms_are_drafted(foreign):
    mapping = draft_mapping(foreign, built_in_corrections())
    assert {(c.to, c.source, c.unit, c.form) for c in mapping.columns} == {
        ("vehicle_id", "Fleet number", "", ""),
        ("read_at", "Date/Time", "", "%d.%m.%Y %H:%M"),
        ("coolant_c", "Engine coolant temperature [°F]", "°F", ""),
        ("odometer_km", "Odometer (miles)", "miles", ""),
        ("ltft_b1_idle", "Long-term fuel trim, bank 1, idle", "", ""),
    }


def test_a_preview_shows_cells_before_and_after_with_their_units(foreign):
    mapping = draft_mapping(foreign, built_in_corrections())
    preview = preview_mapping(foreign, mapping, built_in_corrections())
    shown = {
        row["to"]: (row["example"], row["unit"], row["becomes"], row["store_unit"])
        for row in preview.columns.iter_rows(named=True)
    }
    assert shown["odometer_km"] == ("1000", "miles", "1609.344", "km")
    assert shown["ltft_b1_idle"] == ("3,1 %", "", "3.1", "%")
    assert shown["coolant_c"][2].startswith("100.0")
    assert "Red" in preview.unmapped
    assert preview.rows.height == 2


def test_the_drafted_mapping_written_to_a_file_loads_the_file(foreign, store):

    text = mapping_text(draft_mapping(foreign, built_in_corrections()))
    report = load(store, [foreign], mapping=parse_mapping(tomllib.loads(text), "draft.toml"))
    assert report.files[0].loaded == 2, report.lines()
    assert vehicle_snapshots(store, "v1")["ltft_b1_idle"].to_list() == pytest.approx([3.1, 3.9])


def test_a_unit_that_does_not_fit_is_said(foreign):
    text = mapping_text(draft_mapping(foreign, built_in_corrections())).replace('unit = "miles"', 'unit = "kPa"')
    with pytest.raises(SettingError, match="'kPa' cannot become 'km'"):
        parse_mapping(tomllib.loads(text), "draft.toml")
