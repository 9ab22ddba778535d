"""Drafts of mappings: right, or left alone, or asked. About 3 s."""

import tomllib
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.errors import SettingError
from pipelines.intake.draft import draft_mapping, preview_mapping
from pipelines.intake.headers import read_header
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


def drafted(path, text="", **answers):
    if text:
        path.write_text(text, encoding="utf-8")
    return draft_mapping(path, built_in_corrections(), answers=answers)


def made(draft):
    return {column.to: (column.source, column.unit, column.form) for column in draft.mapping.columns}


def test_names_units_and_time_forms_are_drafted(foreign):
    draft = drafted(foreign)
    assert made(draft) == {
        "vehicle_id": ("Fleet number", "", ""),
        "read_at": ("Date/Time", "", "%d.%m.%Y %H:%M"),
        "coolant_c": ("Engine coolant temperature [°F]", "°F", ""),
        "odometer_km": ("Odometer (miles)", "miles", ""),
        "ltft_b1_idle": ("Long-term fuel trim, bank 1, idle", "", ""),
    }
    assert not draft.questions


def test_a_preview_shows_cells_before_and_after_with_their_units(foreign):
    preview = preview_mapping(foreign, drafted(foreign).mapping, built_in_corrections())
    shown = {
        row["to"]: (row["example"], row["unit"], row["becomes"], row["store_unit"])
        for row in preview.columns.iter_rows(named=True)
    }
    assert shown["odometer_km"] == ("1000", "miles", "1609.344", "km")
    assert shown["ltft_b1_idle"] == ("3,1 %", "", "3.1", "%")
    assert shown["coolant_c"][2].startswith("100.0")
    assert preview.unmapped == ("Red",)
    assert preview.rows.height == 2


def test_the_drafted_mapping_written_to_a_file_loads_the_file(foreign, store):
    text = mapping_text(drafted(foreign).mapping)
    report = load(store, [foreign], mapping=parse_mapping(tomllib.loads(text), "draft.toml"))
    assert report.files[0].loaded == 2, report.lines()
    assert vehicle_snapshots(store, "v1")["ltft_b1_idle"].to_list() == pytest.approx([3.1, 3.9])


def test_a_unit_that_does_not_fit_is_said(foreign):
    text = mapping_text(drafted(foreign).mapping).replace('unit = "miles"', 'unit = "kPa"')
    with pytest.raises(SettingError, match="'kPa' cannot become 'km'"):
        parse_mapping(tomllib.loads(text), "draft.toml")


@pytest.mark.parametrize(
    ("header", "cells", "target"),
    [
        ("Speed (km/h)", "40 42", "vehicle_id"),
        ("Throttle position (%)", "12 18", "throttle_closed"),
        ("Seconds since start", "600 30", "ignition_hours"),
        ("Coolant level", "80 82", "coolant_c"),
        ("Coolant temperature (kPa)", "80 82", "coolant_c"),
        ("Battery voltage", "0.4 0.5", "battery_v"),
        ("Long term fuel trim bank 1", "88 91", "ltft_b1"),
        ("Odometer (km)", "3.2 4.1", "odometer_km"),
    ],
)
def test_a_pair_whose_words_units_or_range_disagree_is_left_alone(tmp_path, header, cells, target):
    one, two = cells.split()
    text = f"Van,Read at,{header}\nA1,2026-02-01 08:00,{one}\nA1,2026-02-08 08:00,{two}\n"
    draft = drafted(tmp_path / "f.csv", text)
    assert made(draft).get(target, ("",))[0] != header


def test_what_a_required_column_is_is_asked_and_an_answer_settles_it(tmp_path):
    text = "LTFT B1 (%),Coolant (°C)\n1.6,88\n"
    assert [question.key for question in drafted(tmp_path / "values.csv", text).questions] == ["vehicle_id", "read_at"]
    draft = drafted(tmp_path / "values.csv", text, vehicle_id="V1", read_at="2026-02-01")
    assert (draft.questions, draft.mapping.constants) == ((), {"vehicle_id": "V1", "read_at": "2026-02-01"})


def test_day_and_month_that_can_change_places_are_asked_about(tmp_path):
    text = "Van,Date,LTFT B1 (%)\nA1,03/02/2026,1.6\nA1,04/03/2026,2.3\n"
    [question] = drafted(tmp_path / "f.csv", text).questions
    assert question.key == "day_first"
    assert made(drafted(tmp_path / "f.csv", text, day_first="month"))["read_at"][2] == "%m/%d/%Y"
    french = text.replace("Van,Date", "Immatriculation,Date du relevé")
    assert made(drafted(tmp_path / "f.csv", french))["read_at"][2] == "%d/%m/%Y"


@pytest.mark.parametrize(
    ("cells", "first"),
    [
        ("1770721800 1771326600", datetime(2026, 2, 10, 11, 10, tzinfo=UTC)),
        ("1770721800000 1771326600000", datetime(2026, 2, 10, 11, 10, tzinfo=UTC)),
        ("46056.34375 46070.5", datetime(2026, 2, 3, 8, 15, tzinfo=UTC)),
        ("3|Feb|2026 17|Feb|2026", datetime(2026, 2, 3, tzinfo=UTC)),
        ("3.|März|2026 17.|März|2026", datetime(2026, 3, 3, tzinfo=UTC)),
        ("03.02.26 17.02.26", datetime(2026, 2, 3, tzinfo=UTC)),
        ("2/13/26|4:05|PM 2/27/26|4:01|PM", datetime(2026, 2, 13, 16, 5, tzinfo=UTC)),
    ],
)
def test_times_are_read_however_they_are_written(store, tmp_path, cells, first):
    one, two = cells.replace("|", " ").split(" ", 1) if "|" not in cells else [
        part.replace("|", " ") for part in cells.split(" ")
    ]  # fmt: skip
    draft = drafted(tmp_path / "f.csv", f"Van,When,LTFT B1 (%)\nA1,{one},1.6\nA1,{two},2.3\n")
    load(store, [tmp_path / "f.csv"], mapping=draft.mapping)
    assert vehicle_snapshots(store, "A1")["read_at"].to_list()[0].date() == first.date()
    if first.hour:
        assert vehicle_snapshots(store, "A1")["read_at"].to_list()[0] == first


def test_a_log_becomes_one_reading_by_regions_warm_and_in_closed_loop(store, tmp_path):
    rows = [
        (n, 750 if n < 20 else 2000, 20 if n < 20 else 45, "OL" if n < 5 else "CL", 60 if n < 3 else 88, 9 if n < 5 else
         1.6 if n < 20 else 3.9)
        for n in range(40)
    ]  # fmt: skip
    lines = "\n".join(",".join(map(str, row)) for row in rows)
    text = f"Time (s),RPM,Load (%),Fuel system status,Coolant (°C),LTFT B1 (%)\n{lines}\n"
    draft = drafted(tmp_path / "trip_van12_2026-02-14.csv", text)
    assert not draft.questions
    load(store, [tmp_path / "trip_van12_2026-02-14.csv"], mapping=draft.mapping)
    [row] = vehicle_snapshots(store, "van12").iter_rows(named=True)
    assert row["read_at"] == datetime(2026, 2, 14, 0, 0, 39, tzinfo=UTC)
    assert (row["ltft_b1_idle"], row["ltft_b1_mid"]) == pytest.approx((1.6, 3.9))
    assert row.get("ltft_b1_low") is None


def test_a_sheet_with_a_title_and_a_file_in_long_form(store, tmp_path):
    pl.DataFrame({
        "a": ["Bus trims", None, "Bus", "4", "5"], "b": [None, None, "Read on", "2026-02-03", "2026-02-03"],
        "c": [None, None, "LTFT B1 (%)", "1.6", "0.8"],
    }).write_excel(tmp_path / "buses.xlsx", include_header=False)  # fmt: skip
    load(store, [tmp_path / "buses.xlsx"], mapping=drafted(tmp_path / "buses.xlsx").mapping)
    assert vehicle_snapshots(store, "4")["ltft_b1"].to_list() == pytest.approx([1.6])
    text = (
        "Plate,Measured at,Parameter,Value,Unit\nK1,2026-02-03 10:15,Long term fuel trim bank 1,5.5,%\n"
        "K1,2026-02-03 10:15,Coolant temperature,194,°F\n"
    )
    draft = drafted(tmp_path / "shop.csv", text)
    load(store, [tmp_path / "shop.csv"], mapping=draft.mapping)
    [row] = vehicle_snapshots(store, "K1").iter_rows(named=True)
    assert (row["ltft_b1"], row["coolant_c"]) == pytest.approx((5.5, 90.0))


def test_a_list_of_trouble_codes_becomes_faults(tmp_path):
    text = "Plate;Storing;Wanneer\nK1;P0171;2026-02-03 10:00\nK2;P0420;2026-02-04 11:00\n"
    draft = drafted(tmp_path / "dtc.csv", text, read_at="Wanneer")
    assert (draft.mapping.table, draft.questions) == ("faults", ())
    assert {to: source for to, (source, _, _) in made(draft).items()} == {
        "read_at": "Wanneer", "vehicle_id": "Plate", "code": "Storing",
    }  # fmt: skip


def test_fractions_of_one_are_asked_about_once_and_become_per_cent(tmp_path):
    text = "Van,Read at,LTFT B1,LTFT B2\n" + "".join(
        f"A1,{datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=7 * n):%Y-%m-%d},{0.0078 * n:.4f},{0.0156 * n:.4f}\n"
        for n in range(1, 6)
    )
    draft = drafted(tmp_path / "f.csv", text)
    assert [question.key for question in draft.questions] == ["fractions"]
    assert made(drafted(tmp_path / "f.csv", text, fractions="1"))["ltft_b1"][1] == "1"
    assert made(drafted(tmp_path / "f.csv", text, fractions="%"))["ltft_b1"][1] == ""


@pytest.mark.parametrize(
    ("header", "meaning"),
    [("Kühlmitteltemperatur [°C]", "coolant_c"), ("KUEHLMITTEL_C", "coolant_c"), ("koelvloeistoftemp.", "coolant_c"),
     ("走行距離(km)", "odometer_km"), ("Пробег, км", "odometer_km"), ("batteryVoltage", "battery_v"),
     ("Ladelufttemperatur", ""), ("Coolant pump duty", ""), ("Temp 1", "")],
)  # fmt: skip
def test_a_header_means_what_all_its_words_say(header, meaning):
    assert {each for each in read_header(header).meanings() if not each.startswith("~")} == ({meaning} - {""})
