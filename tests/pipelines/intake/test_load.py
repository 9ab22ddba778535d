import gzip
import json
from datetime import UTC, datetime

import polars as pl
import pytest

from pipelines.errors import DropError, SettingError
from pipelines.intake.load import load
from pipelines.store.checking import breaches
from pipelines.store.evidence import read_evidence
from pipelines.store.published import flagged, load_reports, quarantined, vehicle_snapshots
from pipelines.store.quarantine_export import export_quarantine

VEHICLES = "vehicle_id,engine_family\nv1,alder\nv2,alder\n"
SNAPSHOTS = (
    "vehicle_id,read_at,ignition_hours,odometer_km,ltft_b1_idle\n"
    "v1,2031-01-06T08:00:00Z,10,1000,1.5\n"
    "v1,2031-01-13T08:00:00Z,20,1400,2.5\n"
    "v2,2031-01-06T09:00:00Z,5,900,-0.5\n"
)


def values(store, vehicle: str = "v1", column: str = "ltft_b1_idle") -> list[object]:
    return vehicle_snapshots(store, vehicle)[column].to_list()


def test_a_drop_loads_once_and_is_skipped_the_second_time(store, small_drop):
    first, second = load(store, [small_drop]), load(store, [small_drop])
    assert [(f.file, f.loaded) for f in first.files] == [("vehicles.csv", 2), ("snapshots.csv", 3)]
    assert first.exit_code == 0
    assert all(file.skipped for file in second.files)
    assert second.exit_code == 0
    assert values(store) == [1.5, 2.5]


FRAME = pl.DataFrame({
    "vehicle_id": ["v1", "v1"], "read_at": [datetime(2031, 1, day, 8, tzinfo=UTC) for day in (6, 13)],
    "ignition_hours": [10.0, 20.5], "faults_read": [True, False], "ltft_b1_idle": [1.5, None],
})  # fmt: skip


def write(path, frame: pl.DataFrame = FRAME) -> None:
    text = frame.write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ")
    semicolons = frame.write_csv(separator=";", decimal_comma=True, datetime_format="%Y-%m-%d %H:%M")
    if path.name.endswith(".csv.gz"):
        path.write_bytes(gzip.compress(text.encode()))
    elif path.suffix == ".parquet":
        frame.write_parquet(path)
    elif path.suffix in (".ndjson", ".jsonl"):
        frame.write_ndjson(path)
    elif path.suffix == ".xlsx":
        frame.with_columns(pl.col("read_at").dt.replace_time_zone(None)).write_excel(path)
    elif path.stem == "snapshots-tabs":
        path.write_bytes(text.replace(",", "\t").encode())
    elif path.stem == "snapshots-semicolons":
        path.write_bytes(semicolons.encode())
    elif path.stem == "snapshots-mark":
        path.write_bytes(text.encode("utf-8-sig").replace(b"\n", b"\r\n"))
    elif path.stem.startswith("snapshots-utf"):
        path.write_bytes(text.encode(path.stem.removeprefix("snapshots-")))
    else:
        path.write_bytes(text.replace("true", "Yes").replace("false", "0").encode())


@pytest.mark.parametrize(
    "name",
    ["snapshots.csv", "snapshots-2031w07.csv.gz", "snapshots.parquet", "snapshots1.ndjson", "snapshots.jsonl",
     "snapshots.xlsx", "snapshots-tabs.csv", "snapshots-semicolons.csv", "snapshots-mark.csv", "snapshots-utf_16.csv",
     "snapshots-utf_16_le.csv", "snapshots-utf_16_be.csv"],
)  # fmt: skip
def test_every_format_and_dialect_gives_the_same_rows(store, tmp_path, name):
    write(tmp_path / name)
    report = load(store, [tmp_path / name])
    assert report.files[0].loaded == 2, report.lines()
    assert vehicle_snapshots(store, "v1").select(FRAME.columns).equals(FRAME.cast({"ltft_b1_idle": pl.Float32}))


def test_windows_1252_text_is_read(store, tmp_path):
    (tmp_path / "vehicles.csv").write_bytes("vehicle_id;engine_family;depot\nv1;alder;Mühle\n".encode("cp1252"))
    (tmp_path / "snapshots.csv").write_text(SNAPSHOTS)
    load(store, [tmp_path])
    assert read_evidence(store).vehicles["depot"].to_list() == ["Mühle"]


def test_bad_rows_go_to_quarantine_with_their_place_and_the_good_ones_load(store, drop):
    folder = drop(
        vehicles=VEHICLES,
        snapshots="vehicle_id,read_at,ignition_hours,ltft_b1_idle\n"
        "v1,2031-01-06T08:00:00Z,10,1.5\n"
        "v1,2031-01-07T08:00:00Z,-3.5,1\n"
        "v1,2031-01-08T08:00:00Z,10,lean\n"
        "v1,the day before,10,1\n"
        ",2031-01-09T08:00:00Z,10,1\n"
        "v1,2031-01-10T08:00:00Z,10\n"
        "v1,2031-01-11T08:00:00Z,10,1,7\n",
        faults="vehicle_id,read_at,code\nv1,2031-01-06T08:00:00Z,lean\n",
        work="vehicle_id,done_at,kind\nv1,2031-01-06,polishing\n",
    )
    report = load(store, [folder])
    rows = quarantined(store)
    assert report.exit_code == 3
    assert values(store) == [1.5]
    assert rows.select("file", "row_number", "column_name", "reason").rows() == [
        ("snapshots.csv", 3, "ignition_hours", "below 0 h"),
        ("snapshots.csv", 4, "ltft_b1_idle", "not a number"),
        ("snapshots.csv", 5, "read_at", "not a time of ISO 8601 (2031-02-14T08:30:00Z)"),
        ("snapshots.csv", 6, "vehicle_id", "missing"),
        ("snapshots.csv", 7, "", "the row does not have 4 cells as the header does"),
        ("snapshots.csv", 8, "", "the row does not have 4 cells as the header does"),
        ("faults.csv", 2, "code", "not a fault code of the shape of SAE J2012"),
        ("work.csv", 2, "kind", "not a kind of work"),
    ]
    assert json.loads(rows["original"][1]) == {
        "vehicle_id": "v1", "read_at": "2031-01-08T08:00:00Z", "ignition_hours": "10", "ltft_b1_idle": "lean",
    }  # fmt: skip
    assert "snapshots.csv, ignition_hours: below 0 h; 1 quarantined (first: row 3: -3.5)" in "\n".join(report.lines())
    assert breaches(store) == []


def test_quarantined_rows_go_out_are_mended_and_come_back(store, drop, tmp_path):
    load(store, [drop(snapshots="vehicle_id,read_at,ltft_b1_idle\nv1,2031-01-06T08:00:00Z,-1.5 lean\n")])
    [(file, count)] = export_quarantine(store, tmp_path / "mend")
    assert count == 1
    file.write_text(file.read_text().replace("-1.5 lean,", "-1.5,"))
    report = load(store, [tmp_path / "mend"])
    assert report.exit_code == 0, report.lines()
    assert (report.files[0].extra, report.files[0].waiting) == ((), ())
    assert values(store) == [-1.5]
    assert quarantined(store).is_empty()
    assert quarantined(store, mended=True).height == 1


def test_a_row_that_comes_back_unmended_is_in_quarantine_once_and_can_be_mended_then(store, drop, tmp_path):
    load(store, [drop(snapshots="vehicle_id,read_at,ltft_b1_idle\nv1,2031-01-06T08:00:00Z,1.5 lean\n")])
    [(file, _)] = export_quarantine(store, tmp_path / "mend")
    file.write_text(file.read_text().replace("1.5 lean,", "1.5 rich,"))
    load(store, [tmp_path / "mend"])
    assert quarantined(store)["detail"].to_list() == ["1.5 rich"]
    [(again, count)] = export_quarantine(store, tmp_path / "mend2")
    assert count == 1
    again.write_text(again.read_text().replace("1.5 rich,", "1.5,"))
    assert load(store, [tmp_path / "mend2"]).exit_code == 0
    assert (values(store), quarantined(store).height) == ([1.5], 0)


def test_a_corrected_file_replaces_rows_and_keeps_what_they_were(store, small_drop, drop):
    load(store, [small_drop])
    report = load(store, [drop("b", snapshots=SNAPSHOTS.replace("20,1400,2.5", "20,1400,3.5"))])
    assert (report.files[0].loaded, report.files[0].repeated, report.files[0].replaced) == (0, 2, 1)
    assert values(store) == [1.5, 3.5]
    with store.reading() as connection:
        kept = connection.execute(
            "SELECT vehicle_id, ltft_b1_idle, load_id, replaced_by FROM snapshots_replaced"
        ).fetchall()
    assert kept == [("v1", 2.5, 2, 3)]


def test_of_two_rows_of_one_key_in_one_file_the_later_stands(store, drop):
    report = load(
        store, [drop(snapshots=SNAPSHOTS + "v1,2031-01-13T08:00:00Z,20,1400,9\nv1,2031-01-06T08:00:00Z,10,1000,1.5\n")]
    )
    assert (report.files[0].loaded, report.files[0].replaced, report.files[0].repeated) == (3, 1, 1)
    assert values(store) == [1.5, 9.0]


def test_unread_files_are_named_with_what_to_do_and_come_again_when_mended(store, tmp_path):
    (tmp_path / "snapshots.parquet").write_bytes(b"this is not parquet")
    (tmp_path / "vehicles.csv").write_text("number,family\n1,alder\n")
    (tmp_path / "faults.csv").write_bytes(b"")
    (tmp_path / "work.xlsx").write_bytes(b"PK no sheet")
    report = load(store, [tmp_path])
    said = "\n".join(report.lines())
    assert report.exit_code == 2
    assert "lacks vehicle_id, engine_family, which vehicles must have (found: number, family)" in said
    assert "snapshots.parquet: cannot be read as parquet" in said
    assert "faults.csv: is empty" in said
    assert "work.xlsx: cannot be read as xlsx" in said
    (tmp_path / "vehicles.csv").write_text(VEHICLES)
    assert load(store, [tmp_path]).exit_code == 3
    assert load_reports(store)["unreadable"].is_null().sum() == 1


@pytest.mark.parametrize("ending", ["csv", "csv.gz", "ndjson", "parquet", "xlsx"])
def test_a_file_without_a_byte_is_named_and_the_others_load(store, drop, ending):
    folder = drop(vehicles=VEHICLES, snapshots=SNAPSHOTS)
    (folder / f"faults.{ending}").write_bytes(b"")
    for _ in range(2):
        report = load(store, [folder])
        assert report.exit_code == 0
        assert f"{folder.name}/faults.{ending}: not read. faults.{ending}: is empty. Nothing to load." in report.lines()
    assert values(store) == [1.5, 2.5]
    assert load(store, [folder / f"faults.{ending}"]).exit_code == 2


def test_an_empty_folder_and_a_missing_path_say_so(store, tmp_path):
    with pytest.raises(DropError, match="no file to load"):
        load(store, [tmp_path])
    with pytest.raises(DropError, match="no such file or folder"):
        load(store, [tmp_path / "nowhere"])
    (tmp_path / "notes-to-self.txt").write_text("x")
    with pytest.raises(DropError, match="the ending is none of"):
        load(store, [tmp_path / "notes-to-self.txt"])
    assert not store.exists()


def test_truth_and_other_files_are_left_out(store, small_drop):
    (small_drop / "truth").mkdir()
    (small_drop / "truth" / "faults.csv").write_text("vehicle_id,read_at,code\nv1,2031-01-06T08:00:00Z,P0171\n")
    (small_drop / "README.md").write_text("hello")
    report = load(store, [small_drop])
    assert [file.file for file in report.files] == ["vehicles.csv", "snapshots.csv"]
    assert [path.name for path in report.others] == ["README.md"]


def test_times_without_an_offset_are_read_in_the_stores_zone_and_said(store, drop):
    first = "vehicle_id,read_at\nv1,2031-07-01 10:00\n"
    report = load(store, [drop("a", snapshots=first)], time_zone="Europe/Berlin")
    load(store, [drop("b", snapshots=first.replace("07-01", "01-01"))])
    assert "1 time without an offset was read in the store's time zone, Europe/Berlin." in report.lines()
    assert vehicle_snapshots(store, "v1")["read_at"].to_list() == [
        datetime(2031, 1, 1, 9, tzinfo=UTC), datetime(2031, 7, 1, 8, tzinfo=UTC),
    ]  # fmt: skip
    with pytest.raises(SettingError, match="'Mars/Crater' is not known"):
        load(store, [drop("c", snapshots=first)], time_zone="Mars/Crater")


def test_columns_no_catalogue_names_wait_until_one_does(store, small_drop, drop):
    extra = drop("x", snapshots="vehicle_id,read_at,boost,remark\nv1,2031-01-20T08:00:00Z,1.5,fine\n")
    report = load(store, [small_drop, extra])
    said = "\n".join(report.lines())
    assert "kept out until a catalogue (corrections.csv) names them: snapshots.boost, snapshots.remark" in said
    assert "boost" not in vehicle_snapshots(store, "v1").columns
    load(store, [drop("c", corrections="code,title\nboost,Boost\n")])
    assert values(store, column="boost") == [None, None, 1.5]


def test_long_readings_join_their_snapshot_or_make_one(store, small_drop, drop):
    long = "vehicle_id,read_at,correction,value\nv1,2031-01-06T08:00:00Z,iac_ac,41\nv1,2031-01-08T08:00:00Z,iac_ac,42\n"
    load(store, [small_drop, drop("long", readings=long)])
    report = load(store, [drop("again", readings=long.replace("42", "43") + "v1,2031-01-06T08:00:00Z,iac_drive,39\n")])
    assert (report.files[0].loaded, report.files[0].repeated, report.files[0].replaced) == (1, 1, 1)
    snapshots = vehicle_snapshots(store, "v1")
    assert snapshots.select("ltft_b1_idle", "iac_ac", "iac_drive").rows() == [
        (1.5, 41.0, 39.0), (None, 43.0, None), (2.5, None, None),
    ]  # fmt: skip


def test_work_of_no_component_may_leave_the_column_out(store, drop):
    work = "vehicle_id,done_at,kind\nv1,2031-02-01T08:00:00Z,inspection\n"
    assert load(store, [drop(work=work)]).exit_code == 0
    same = work.replace("kind", "kind,component").replace("inspection", "inspection,")
    (again,) = load(store, [drop("b", work=same)]).files
    assert (again.loaded, again.repeated) == (0, 1)


def test_readings_without_their_column_of_values_are_not_read(store, drop):
    report = load(store, [drop(readings="vehicle_id,read_at,correction\nv1,2031-02-01T08:00:00Z,ltft_b1_idle\n")])
    assert report.exit_code == 2
    assert "lacks value, which readings must have" in str(report.files[0].unreadable)


def test_a_dry_run_says_the_same_and_keeps_nothing(store, small_drop, drop):
    load(store, [small_drop])
    version = store.version()
    more = drop("more", snapshots=SNAPSHOTS.replace("2031-01", "2031-02"))
    report = load(store, [more], dry_run=True)
    assert report.files[0].loaded == 3
    assert report.lines()[-1].startswith("Dry run, nothing is kept: ")
    assert store.version() == version
    assert len(values(store)) == 2


def test_values_against_the_vehicles_own_past_are_flagged_and_loaded(store, drop):
    rows = [f"v1,2031-01-{day:02d}T08:00:00Z,{100 + 2 * day},{km},90,0.78125\n" for day, km in (
        (1, 50000), (8, 50400), (15, 31569), (22, 31818), (29, 51600))]  # fmt: skip
    header = "vehicle_id,read_at,ignition_hours,odometer_km,coolant_c,ltft_b1_idle\n"
    report = load(store, [drop(vehicles=VEHICLES, snapshots=header + "".join(rows))])
    reasons = flagged(store).filter(pl.col("column_name") == "odometer_km").select("reason", "detail").rows()
    assert report.exit_code == 0
    assert [detail[:10] for reason, detail in reasons if reason.startswith("looks like miles")] == [
        "2031-01-15",
        "2031-01-22",
    ]
    assert [detail[:10] for reason, detail in reasons if reason == "odometer runs back"] == ["2031-01-15"]
    assert values(store, column="odometer_km")[2] == 31569


def test_a_value_that_contradicts_its_row_alone_is_flagged(store, drop):
    load(store, [drop(
        vehicles="vehicle_id,engine_family,vin\nv1,alder,1M8GDM9AXKP042788\nv2,alder,1M8GDM9A1KP042788\nv3,alder,short\n",
        snapshots="vehicle_id,read_at,coolant_c,ltft_b1_idle\nv1,2031-01-06T08:00:00Z,195,40\n",
    )])  # fmt: skip
    found = {
        (row["vehicle_id"], row["column_name"], row["reason"][:30]) for row in flagged(store).iter_rows(named=True)
    }
    assert ("v1", "coolant_c", "looks like degrees Fahrenheit:") in found
    assert ("v1", "ltft_b1_idle", "beyond the correction's author") in found
    assert {(vehicle, column) for vehicle, column, _ in found if column == "vin"} == {("v2", "vin"), ("v3", "vin")}


def test_of_two_values_of_one_correction_in_long_form_the_later_stands_and_the_other_stays_readable(store, drop):
    at = "v1,2031-02-10T08:00:00Z,ltft_b1_idle"
    text = f"vehicle_id,read_at,correction,value\n{at},1\n{at},2\n{at},1\n{at},2\n{at},3\n{at},\n"
    (file,) = load(store, [drop(readings=text)]).files
    assert (file.loaded, file.replaced, file.repeated) == (1, 4, 1)
    with store.reading() as connection:
        assert connection.execute("SELECT ltft_b1_idle FROM readings").fetchall() == [(3.0,)]
        kept = connection.execute("SELECT ltft_b1_idle, load_id, replaced_by FROM readings_replaced ORDER BY 1")
        assert kept.fetchall() == [(1.0, 1, 1), (2.0, 1, 1)]
