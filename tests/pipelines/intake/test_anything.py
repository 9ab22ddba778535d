"""`leeway load` of files that are no drops: looked at, asked about, loaded, and the mapping kept. About 4 s."""

from datetime import UTC, datetime

import pytest
from click.testing import CliRunner

from pipelines import load_command
from pipelines.store.fleet_reads import fleet_table
from pipelines.store.published import flagged, vehicle_snapshots

SHEET = "Kennzeichen;Datum;LTFT Bank 1 [%];Reifen\n{plate};03.02.2026;1,6;gut\n{plate};10.02.2026;2,3;gut\n"
NAMELESS = "Datum;LTFT Bank 1 [%]\n03.02.2026;1,6\n10.02.2026;2,3\n"


@pytest.fixture
def run(store, monkeypatch):
    def runs(*arguments, typed=None):
        monkeypatch.setattr(load_command, "someone_answers", lambda: typed is not None)
        told = CliRunner().invoke(load_command.load, [*map(str, arguments), "--store", str(store.path)], input=typed)
        return told.exit_code, told.output, told.exception

    return runs


def test_a_file_loads_without_a_question_where_none_is_open_and_the_next_one_by_the_kept_mapping(run, store, tmp_path):
    (tmp_path / "vans.csv").write_text(SHEET.format(plate="K-1"), encoding="utf-8")
    code, told, _ = run(tmp_path / "vans.csv", "--yes")
    assert code == 0, told
    assert "Not understood, left out: Reifen." in told
    assert "1 vehicle is compared as one engine family" in told
    [kept] = (store.path / "mappings").glob("*.toml")
    kept.write_text(kept.read_text().replace('to = "ltft_b1"', 'to = "ltft_b2"'))
    (tmp_path / "next week.csv").write_text(SHEET.format(plate="K-2"), encoding="utf-8")
    code, told, _ = run(tmp_path / "next week.csv", "--yes")
    assert code == 0, told
    assert "is read as files with these columns were before" in told
    assert vehicle_snapshots(store, "K-2")["ltft_b2"].to_list() == pytest.approx([1.6, 2.3])
    assert fleet_table(store, "vehicles")["engine_family"].to_list() == ["all vehicles"] * 2
    assert flagged(store).is_empty(), "no vehicle waits for a list that names it any more"


def test_an_open_question_stops_a_script_with_code_2_and_says_how_to_answer_it(run, store, tmp_path):
    (tmp_path / "values.csv").write_text(NAMELESS, encoding="utf-8")
    code, told, _ = run(tmp_path / "values.csv", "--yes")
    assert code == 2
    assert '--answer "vehicle_id=..."' in told
    assert not store.exists()
    code, told, _ = run(tmp_path / "values.csv", "--answer", "vehicle_id=V7", "--answer", "engine_family=2.0 petrol")
    assert code == 0, told
    assert fleet_table(store, "vehicles").select("vehicle_id", "engine_family").rows() == [("V7", "2.0 petrol")]
    (tmp_path / "other.csv").write_text(NAMELESS.replace("1,6", "9,4"), encoding="utf-8")
    code, told, _ = run(tmp_path / "other.csv", "--yes")
    assert code == 2, "which vehicle the next file is of was never said"


def test_questions_come_one_at_a_time_in_a_terminal(run, store, tmp_path):
    text = "Van,Date,LTFT B1\nA1,03/02/2026,0.0156\nA1,04/02/2026,0.0234\nA1,05/02/2026,0.0312\n"
    (tmp_path / "trims.csv").write_text(text)
    code, told, error = run(tmp_path / "trims.csv", typed="1\n2\ny\npetrol vans\n")
    assert code == 0, (told, error)
    assert told.index("look like fractions") < told.index("day first or month first")
    row = vehicle_snapshots(store, "A1").row(0, named=True)
    assert row["read_at"] == datetime(2026, 3, 2, 23, 59, 59, tzinfo=UTC)
    assert row["ltft_b1"] == pytest.approx(1.56)
    assert fleet_table(store, "vehicles")["engine_family"].to_list() == ["petrol vans"]


def test_what_is_not_confirmed_is_not_loaded(run, store, tmp_path):
    (tmp_path / "vans.csv").write_text(SHEET.format(plate="K-1"), encoding="utf-8")
    code, _, _ = run(tmp_path / "vans.csv", typed="n\n")
    assert code == 2
    assert not store.exists()


def test_a_file_with_a_drops_name_and_other_columns_is_looked_at(run, store, tmp_path):
    (tmp_path / "snapshots.csv").write_text(SHEET.format(plate="K-1"), encoding="utf-8")
    code, told, _ = run(tmp_path / "snapshots.csv")
    assert code == 2, told
    assert "or load the file in a terminal or with --yes" in told
    code, told, _ = run(tmp_path / "snapshots.csv", "--yes")
    assert code == 0, told
    assert vehicle_snapshots(store, "K-1").height == 2


def test_a_folder_of_logs_takes_vehicle_and_day_from_its_names(run, store, tmp_path):
    rows = "\n".join(f"{n},800,88,1.6" for n in range(30))
    for car in ("car3", "car4"):
        for day in ("20260103", "20260110"):
            (tmp_path / "logs" / car).mkdir(parents=True, exist_ok=True)
            text = f"Seconds (s),Engine RPM,Coolant (°C),LTFT B1 (%)\n{rows}\n"
            (tmp_path / "logs" / car / f"trip_{day}.csv").write_text(text, encoding="utf-8")
    code, told, error = run(tmp_path / "logs", "--yes")
    assert code == 0, (told, error)
    assert vehicle_snapshots(store, "car4")["read_at"].dt.date().to_list() == [
        datetime(2026, 1, 3, tzinfo=UTC).date(), datetime(2026, 1, 10, tzinfo=UTC).date(),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("clocks", "newest"),
    [
        ([f"23:59:{n}" for n in range(30, 60)] + ["00:00:20"], "2026-01-04T00:00:20"),  # passes midnight
        ([f"0:00:{n:02}" for n in range(50)], "2026-01-03T23:58:49"),  # counts from the start, which the name says
    ],
)
def test_what_a_logs_clock_says_counts_from_the_day_or_the_start(run, store, tmp_path, clocks, newest):
    text = "".join(f"{clock},800,88,1.6\n" for clock in clocks)
    log = tmp_path / "trip_20260103_2358.csv"
    log.write_text(f"Time,Engine RPM,Coolant (°C),LTFT B1 (%)\n{text}", encoding="utf-8")
    code, told, error = run(log, "--yes", "--answer", "vehicle_id=V7")
    assert code == 0, (told, error)
    assert [at.isoformat() for at in vehicle_snapshots(store, "V7")["read_at"]] == [f"{newest}+00:00"]


def test_a_list_of_vehicles_becomes_vehicles_with_their_engines(run, store, tmp_path):
    (tmp_path / "flotte.csv").write_text(
        "Kennzeichen;FIN;Motor;Baujahr;Standort\nK-1;WVWZZZ1KZ6W000001;2.0 TDI;2024;K\u00f6ln\n"
        "K-2;WVWZZZ1KZ6W000002;1.4 TSI;2023;Bonn\n", encoding="utf-8",
    )  # fmt: skip
    code, told, error = run(tmp_path / "flotte.csv", "--yes")
    assert code == 0, (told, error)
    rows = fleet_table(store, "vehicles").sort("vehicle_id")
    assert rows["engine_family"].to_list() == ["2.0 TDI", "1.4 TSI"]
    assert rows["depot"].to_list() == ["K\u00f6ln", "Bonn"]
    assert rows["vin"].to_list() == ["WVWZZZ1KZ6W000001", "WVWZZZ1KZ6W000002"]
    assert rows["model_year"].to_list() == [2024, 2023]


def test_a_list_without_engines_asks_which_column_says_whose_engines_are_alike(run, store, tmp_path):
    rows = "".join(f"V{n},Ford,{model},North\n" for n, model in enumerate(["Transit", "Transit", "Custom", "Custom"]))
    (tmp_path / "list.csv").write_text(f"Reg No,Make,Model,Depot\n{rows}", encoding="utf-8")
    code, error, _ = run(tmp_path / "list.csv", "--yes")
    assert code == 2
    assert "Model (the column 'Model' says it, such as Transit)" in error
    assert run(tmp_path / "list.csv", "--yes", "--answer", "engine_family=Model")[0] == 0
    assert fleet_table(store, "vehicles").sort("vehicle_id")["engine_family"].to_list() == [
        "Transit",
        "Transit",
        "Custom",
        "Custom",
    ]


def test_readings_that_name_engines_bring_their_families(run, store, tmp_path):
    rows = "".join(f"V{n % 2},{1 + n}/02/2031,{n}.5,{('2.0 TDI', '1.4 TSI')[n % 2]}\n" for n in range(20))
    (tmp_path / "checks.csv").write_text(f"Van,Checked on,LTFT bank 1 (%),Engine\n{rows}", encoding="utf-8")
    code, told, error = run(tmp_path / "checks.csv", "--yes")
    assert code == 0, (told, error)
    assert "Engine families as the file names the engines: 1.4 TSI, 2.0 TDI." in told
    assert fleet_table(store, "vehicles").sort("vehicle_id")["engine_family"].to_list() == ["2.0 TDI", "1.4 TSI"]


def test_many_rows_of_one_key_in_a_drop_are_told(run, tmp_path):
    rows = "".join(f"V1,2031-02-03,{n % 7}\n" for n in range(60))
    (tmp_path / "snapshots.csv").write_text(f"vehicle_id,read_at,ltft_b1\n{rows}", encoding="utf-8")
    code, told, _ = run(tmp_path / "snapshots.csv")
    assert code == 0
    assert "59 of its 60 rows gave way to a later row of the same vehicle_id and read_at" in told
    assert "1 file: 1 row loaded, 59 replaced" in told


def test_folders_are_vehicles_whatever_they_are_called_if_a_person_says_so(run, store, tmp_path):
    rows = "\n".join(f"{n},800,20,88,1.6,CL" for n in range(30))
    for car in ("kangoo", "berlingo"):
        (tmp_path / "logs" / car).mkdir(parents=True)
        text = f"t [s],n [1/min],load [%],ECT [\u00b0C],LTFT B1 [%],Fuel status\n{rows}\n"
        (tmp_path / "logs" / car / "drive_20260103.csv").write_text(text, encoding="utf-8")
    code, told, error = run(tmp_path / "logs", "--yes", "--answer", "vehicle_id=folder")
    assert code == 0, (told, error)
    assert "ltft_b1_idle 1.6 (of 30 rows, 1.6 to 1.6)" in told
    assert vehicle_snapshots(store, "kangoo")["ltft_b1_idle"].to_list() == pytest.approx([1.6])
    assert vehicle_snapshots(store, "berlingo").height == 1
