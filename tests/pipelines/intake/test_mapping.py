import tomllib
from collections.abc import Iterator
from contextlib import suppress
from copy import deepcopy
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.errors import LeewayError, SettingError
from pipelines.intake.draft import preview_mapping
from pipelines.intake.load import load
from pipelines.intake.mapping import mapping_text, parse_mapping, read_mapping
from pipelines.store.published import quarantined, vehicle_snapshots

LOG = """Reader 3000
Export of 2031-02-14
Zeit;Laufzeit;Drehzahl;Last;LTFT Bank 1;Kühlmittel;MIL;
14.02.2031 08:00:01;00:00:01;850 U/min;20,5 %;3,1 %;92 °C;The lamp is off
14.02.2031 08:00:02;00:00:02;860 U/min;21,5 %;3,3 %;92 °C;The lamp is off
14.02.2031 08:00:03;00:00:03;2100 U/min;61,5 %;7,3 %;93 °C;The lamp is off
14.02.2031 08:00:04;00:00:36;2200 U/min;65 %;7,1 %;194 °F;The lamp is off
14.02.2031 09:30:04;01:30:00;870 U/min;25 %;4,1 %;x;The lamp is on
"""
MAPPING = r"""
table = "snapshots"
[file]
skip_lines = 2
short_rows = "pad_end"
[from_name]
vehicle_id = 'log_(.+)\.csv'
[log]
session_gap_minutes = 20
[[column]]
to = "read_at"
from = "Zeit"
form = "%d.%m.%Y %H:%M:%S"
[[column]]
to = "ltft_b1_idle"
from = "LTFT Bank 1"
how = "mean"
where = [{ column = "Drehzahl", below = 1000 }]
[[column]]
to = "ltft_b1_mid"
from = "LTFT Bank 1"
how = "mean"
where = [{ column = "Drehzahl", above = 1500 }, { column = "Last", above = 50, below = 80 }]
[[column]]
to = "coolant_c"
from = "Kühlmittel"
how = "last"
[[column]]
to = "ignition_hours"
from = "Laufzeit"
form = "clock"
[[column]]
to = "lamp_on"
from = "MIL"
true = ["lamp is on"]
false = ["lamp is off"]
"""


def mapping_of(tmp_path, text: str = MAPPING):
    (tmp_path / "reader.toml").write_text(text, encoding="utf-8")
    return read_mapping(tmp_path / "reader.toml")


def test_a_raw_log_with_glued_units_clocks_and_sentences_becomes_snapshots(store, tmp_path):
    (tmp_path / "log_WC-104.csv").write_bytes(LOG.encode("cp1252"))
    report = load(store, [tmp_path / "log_WC-104.csv"], mapping=mapping_of(tmp_path), time_zone="Europe/Berlin")
    [row] = vehicle_snapshots(store, "WC-104").iter_rows(named=True)
    assert report.exit_code == 3
    assert row["read_at"] == datetime(2031, 2, 14, 7, 0, 4, tzinfo=UTC)
    assert row["ltft_b1_idle"] == pytest.approx(3.2)
    assert row["ltft_b1_mid"] == pytest.approx(7.2)
    assert row["coolant_c"] == pytest.approx(90.0)
    assert row["ignition_hours"] == pytest.approx(0.01)
    assert row["lamp_on"] is False
    assert quarantined(store).select("row_number", "column_name", "detail").rows() == [(8, "coolant_c", "x")]


@pytest.mark.parametrize(
    ("text", "hours"),
    [("1.234:30:00", 1234.5), ("1'234:30:00", 1234.5), ("12 345:06:00", 12345.1), ("1234:30:36", 1234.51),
     ("0:30:00", 0.5), ("90:00", 1.5), ("1.23:30:00", None), ("1:2.345:00", None)],
)  # fmt: skip
def test_hours_of_a_clock_may_have_their_thousands_grouped(store, tmp_path, text, hours):
    log = "Reader\nExport\nZeit;Laufzeit\n14.02.2031 08:00:00;" + text + "\n"
    (tmp_path / "log_WC-104.csv").write_text(log)
    mapping = MAPPING[: MAPPING.index("[log]")] + (
        '[[column]]\nto = "read_at"\nfrom = "Zeit"\nform = "%d.%m.%Y %H:%M:%S"\n'
        '[[column]]\nto = "ignition_hours"\nfrom = "Laufzeit"\nform = "clock"\n'
    )
    report = load(store, [tmp_path / "log_WC-104.csv"], mapping=mapping_of(tmp_path, mapping))
    assert report.files[0].quarantined == (hours is None)
    if hours is not None:
        assert vehicle_snapshots(store, "WC-104")["ignition_hours"].to_list() == pytest.approx([hours])


def test_a_cell_that_the_last_row_of_a_log_lacks_is_no_value(store, tmp_path):
    log = "\n".join(LOG.splitlines()[:-1]).removesuffix(";The lamp is off")
    (tmp_path / "log_WC-104.csv").write_bytes(log.encode("cp1252"))
    load(store, [tmp_path / "log_WC-104.csv"], mapping=mapping_of(tmp_path))
    assert vehicle_snapshots(store, "WC-104")["lamp_on"].to_list() == [False]


def test_rows_of_a_foreign_table_keep_theirs_and_get_constants_and_units(store, tmp_path):
    (tmp_path / "export.txt").write_text(
        "Unit|When|Dist|Temp\nv1|2031-01-06 08:00|1000|212\nv1|2031-01-13 08:00|odd|50\n"
    )
    mapping = mapping_of(tmp_path, """
table = "snapshots"
[constants]
module = "M1"
[[column]]
to = "vehicle_id"
from = "Unit"
[[column]]
to = "read_at"
from = "When"
[[column]]
to = "odometer_km"
from = "Dist"
unit = "miles"
[[column]]
to = "coolant_c"
from = "Temp"
unit = "degF"
""")  # fmt: skip
    load(store, [tmp_path / "export.txt"], mapping=mapping)
    [row] = vehicle_snapshots(store, "v1").iter_rows(named=True)
    assert row["odometer_km"] == pytest.approx(1609.344)
    assert row["coolant_c"] == pytest.approx(100.0)
    assert row["module"] == "M1"
    assert quarantined(store)["detail"].to_list() == ["odd"]


def test_the_same_file_mapped_otherwise_is_another_file(store, tmp_path):
    (tmp_path / "log_WC-104.csv").write_text(LOG)
    load(store, [tmp_path / "log_WC-104.csv"], mapping=mapping_of(tmp_path))
    assert load(store, [tmp_path / "log_WC-104.csv"], mapping=mapping_of(tmp_path)).files[0].skipped
    other = mapping_of(tmp_path, MAPPING.replace("below = 1000", "below = 855"))
    assert load(store, [tmp_path / "log_WC-104.csv"], mapping=other).files[0].replaced == 1
    assert vehicle_snapshots(store, "WC-104")["ltft_b1_idle"].to_list() == pytest.approx([3.1])


def test_a_mapping_written_is_the_mapping_read(tmp_path):
    mapping = mapping_of(tmp_path)
    assert mapping_of(tmp_path, mapping_text(mapping)) == mapping


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        ({}, "table: 'None' is none of"),
        ({"table": "snapshots", "colunm": []}, "'colunm' is none of"),
        ({"table": "snapshots", "column": [{"to": "read_at"}]}, "needs `to` and `from`"),
        ({"table": "snapshots", "column": [{"to": "a", "from": "b", "how": "sum"}]}, "how: 'sum' is none of mean"),
        ({"table": "snapshots", "column": [{"to": "a", "from": "b", "form": "dd.mm"}]}, "neither clock, elapsed"),
        ({"table": "snapshots", "from_name": {"vehicle_id": "(a)(b)"}}, "has 2 groups"),
        ({"table": "snapshots", "file": {"short_rows": "drop"}}, "short_rows: 'drop' is none of"),
        ({"table": "snapshots", "log": {"session_gap_minutes": 5}}, "no column says `how`"),
        ({"table": "snapshots", "column": [{"to": "read_at", "from": "b", "how": "mean"}]}, "is taken of numbers"),
        ({"table": "snapshots", "column": [{"to": "a", "from": "b", "where": [{"column": "c", "above": 1}]}]}, "rows"),
        ({"table": "snapshots", "column": [{"to": "a", "from": "b", "form": "%d.%m"}]}, "is of times"),
        ({"table": "snapshots", "column": [{"to": "read_at", "from": "b", "form": "%d %Q"}]}, "no form of a time"),
        ({"table": "snapshots", "column": [{"to": "coolant_c", "from": "b", "true": ["on"]}]}, "say yes or no"),
        ({"table": "snapshots", "column": [{"to": "coolant_c", "from": "b", "unit": "blah"}]}, "no unit that is known"),
        ({"table": "work", "column": [{"to": "kidn", "from": "b"}]}, "is no column of work"),
        ({"table": "snapshots", "constants": {"module": "1"}, "column": [{"to": "module", "from": "b"}]}, "made twice"),
        (
            {
                "table": "snapshots",
                "column": [{"to": "a", "from": "b", "how": "mean", "where": [{"column": "c", "above": 2, "below": 1}]}],
            },
            "nothing lies",
        ),
    ],
)
def test_a_mapping_that_says_nothing_sensible_is_refused(raw, message):
    with pytest.raises(SettingError, match=message):
        parse_mapping(raw, "reader.toml")


def test_a_unit_that_measures_something_else_is_said_before_anything_is_read(tmp_path):
    with pytest.raises(SettingError, match="coolant_c, unit: 'kPa' cannot become 'degC': they measure different"):
        mapping_of(tmp_path, MAPPING.replace('from = "Kühlmittel"', 'from = "Kühlmittel"\nunit = "kPa"'))


def test_date_and_time_in_two_columns_and_dots_that_group_thousands(store, tmp_path):
    text = (
        "Nr;Datum;Uhrzeit;km;LTFT;Druck\n7;14.02.2031;08:15;123.456 km;-3,9%;1.013 mbar\n8;14.02.2031;;98.765,5;1,5;\n"
    )
    (tmp_path / "export.csv").write_text(text, encoding="utf-8")
    columns = [
        {"to": "vehicle_id", "from": "Nr"},
        {"to": "read_at", "from": ["Datum", "Uhrzeit"], "form": "%d.%m.%Y %H:%M"},
        {"to": "odometer_km", "from": "km"},
        {"to": "ltft_b1_idle", "from": "LTFT"},
        {"to": "baro_kpa", "from": "Druck"},
    ]
    mapping = parse_mapping({"table": "snapshots", "file": {"decimal": ","}, "column": columns}, "export.toml")
    (tmp_path / "export.toml").write_text(mapping_text(mapping), encoding="utf-8")
    assert read_mapping(tmp_path / "export.toml") == mapping
    load(store, [tmp_path / "export.csv"], mapping=mapping)
    row = vehicle_snapshots(store, "7").row(0, named=True)
    assert row["read_at"] == datetime(2031, 2, 14, 8, 15, tzinfo=UTC)
    assert (row["odometer_km"], row["ltft_b1_idle"]) == (123456.0, pytest.approx(-3.9, abs=1e-6))
    assert row["baro_kpa"] == pytest.approx(101.3)
    assert quarantined(store).select("row_number", "column_name").rows() == [(3, "read_at")]


def test_elapsed_seconds_count_from_the_constant(store, tmp_path):
    (tmp_path / "log.csv").write_text("Time (sec),Rpm,LTFT,\n0.5,800,1\n60.5,800,3\n", encoding="utf-8")
    raw = {
        "table": "snapshots",
        "file": {"short_rows": "pad_end"},
        "constants": {"vehicle_id": "v1", "read_at": "2031-02-14T08:00:00+01:00"},
        "column": [
            {"to": "read_at", "from": "Time (sec)", "form": "elapsed"},
            {"to": "ltft_b1_idle", "from": "LTFT", "how": "mean"},
        ],
    }
    load(store, [tmp_path / "log.csv"], mapping=parse_mapping(raw, "log.toml"))
    row = vehicle_snapshots(store, "v1").row(0, named=True)
    assert (row["read_at"], row["ltft_b1_idle"]) == (datetime(2031, 2, 14, 7, 1, 0, 500_000, tzinfo=UTC), 2.0)


def test_times_of_day_count_on_past_midnight_for_each_vehicle(store, tmp_path):
    rows = ["A,23:59:50,1", "A,00:00:10,1", "A,00:00:05,3", "B,13:00:00,2", "B,12:59:59,2"]
    (tmp_path / "log.csv").write_text("Car,Clock,LTFT\n" + "\n".join(rows) + "\n", encoding="utf-8")
    raw = {
        "table": "snapshots",
        "constants": {"read_at": "2031-02-14"},
        "log": {"session_gap_minutes": 30},
        "column": [
            {"to": "vehicle_id", "from": "Car"},
            {"to": "read_at", "from": "Clock", "form": "elapsed"},
            {"to": "ltft_b1_idle", "from": "LTFT", "how": "median"},
        ],
    }
    load(store, [tmp_path / "log.csv"], mapping=parse_mapping(raw, "log.toml"))
    [night], [day] = (vehicle_snapshots(store, car)["read_at"].to_list() for car in "AB")
    assert night == datetime(2031, 2, 15, 0, 0, 10, tzinfo=UTC)
    assert day == datetime(2031, 2, 14, 13, 0, tzinfo=UTC)


SOUND: dict[str, object] = {
    "table": "snapshots",
    "file": {"separator": ";", "decimal": ",", "skip_lines": 1, "short_rows": "pad_end"},
    "constants": {"vehicle_id": "V1"}, "from_name": {"module": "log-(.*)"}, "log": {"session_gap_minutes": 5},
    "column": [
        {"to": "read_at", "from": ["Date", "Time"], "form": "%d.%m.%Y %H:%M:%S"},
        {"to": "ltft_b1_idle", "from": "LTFT", "unit": "%", "how": "mean",
         "where": [{"column": "RPM", "below": 1000, "above": 1}]},
        {"to": "lamp_on", "from": "Lamp", "true": ["on"], "false": ["off"]},
        {"to": "ignition_hours", "from": "T", "form": "clock"},
    ],
}  # fmt: skip
LOG_TEXT = "Reader 7\nDate;Time;LTFT;RPM;Lamp;T\n01.02.2031;10:00:00;1,5;800;on;1:02:03\n"
ANYTHING = st.sampled_from([
    True, 0, -1, 1.5, 10**30, float("nan"), "", "a", "\x00", "*", "%Q", "%", "kPa", "(", "(a)(b)", "elapsed", "clock",
    "median", ";;", "load_id", "lamp_on", [], ["a"], [1], [[]], {}, {"a": 1},
])  # fmt: skip


def places(part: object, way: tuple[object, ...] = ()) -> Iterator[tuple[object, ...]]:
    inside = part.items() if isinstance(part, dict) else enumerate(part) if isinstance(part, list) else ()
    for key, value in inside:
        yield (*way, key)
        yield from places(value, (*way, key))


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.sampled_from(sorted(places(SOUND), key=str)), value=ANYTHING)
def test_whatever_a_mapping_says_it_is_refused_with_its_place_or_makes_rows(tmp_path, place, value):
    raw = deepcopy(SOUND)
    part: Any = raw
    for key in place[:-1]:
        part = part[key]
    part[place[-1]] = value
    log = tmp_path / "log-m1.csv"
    log.write_text(LOG_TEXT)
    refusal = ""
    try:
        mapping = parse_mapping(raw, "reader.toml")
    except SettingError as error:
        refusal = str(error)
    if refusal:
        assert refusal.startswith("reader.toml")
        return
    assert parse_mapping(tomllib.loads(mapping_text(mapping)), "again.toml") == mapping
    with suppress(LeewayError):
        assert preview_mapping(log, mapping, built_in_corrections()).rows.width
