"""From a file as somebody has it to the sentence that names its drifting vehicle, and no other. About 5 s."""

import pytest
from click.testing import CliRunner
from first_sources import SOURCES

from pipelines import load_command
from pipelines.bands.panel import panels
from pipelines.command import analyse
from pipelines.drift.stage import straying
from pipelines.history.reconstruct import reconstruct
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence

UNDATED = "Van,LTFT B1 (%),STFT B1 (%)\nV1,2.3,0.8\nV2,-1.6,1.6\nV3,19.5,3.1\n"


@pytest.fixture
def load(store, monkeypatch):
    def loads(path, *arguments, typed=None):
        monkeypatch.setattr(load_command, "someone_answers", lambda: typed is not None)
        told = CliRunner().invoke(load_command.load, [str(path), *arguments, "--store", str(store.path)], input=typed)
        return told.exit_code, told.output

    return loads


@pytest.mark.parametrize("name", SOURCES)
def test_a_source_of_another_hand_loads_without_a_question_and_names_who_drifts_alone(load, store, tmp_path, name):
    drifts = SOURCES[name](tmp_path / name)
    code, told = load(tmp_path / name, "--yes")
    assert code == 0, told
    assert "0 quarantined" in told
    evidence = read_evidence(store)
    history = reconstruct(evidence)
    states = straying(panels(evidence, history), evidence=evidence, history=history, settings=Settings())
    found = states.correction_state
    assert set(found.filter(found["state"].is_in(["drifting", "outside"]))["vehicle_id"]) == {drifts}


@pytest.mark.parametrize("name", ["messwerte.csv", "telemetry.ndjson"])
def test_the_next_file_of_the_same_columns_is_read_by_the_kept_mapping(load, store, tmp_path, name):
    SOURCES[name](tmp_path / name)
    load(tmp_path / name, "--yes")
    content = (tmp_path / name).read_bytes().replace(b"LKW-11", b"LKW-99").replace(b"bus-01", b"bus-99")
    (tmp_path / f"next-{name}").write_bytes(content)
    code, told = load(tmp_path / f"next-{name}", "--yes")
    assert code == 0, told
    assert "is read as files with these columns were before" in told
    assert {"LKW-99", "bus-99"} & set(read_evidence(store).snapshots["vehicle_id"])


def test_an_analysis_says_who_strays_by_how_much_and_what_the_others_are(load, store, tmp_path):
    drifts = SOURCES["messwerte.csv"](tmp_path / "messwerte.csv")
    load(tmp_path / "messwerte.csv", "--yes")
    told = CliRunner().invoke(analyse, ["--store", str(store.path)], catch_exceptions=False).output
    assert f"{drifts} is drifting: Long-term fuel trim, bank 1 reads" in told
    assert "Others: 5 steady." in told


def test_times_of_a_logger_are_those_of_the_clock_on_the_day_of_the_files_name(load, store, tmp_path):
    SOURCES["logs"](tmp_path / "logs")
    first = min((tmp_path / "logs" / "Kangoo-1").iterdir())
    load(first, "--yes")
    read = read_evidence(store).snapshots["read_at"][0]
    assert f"{read:%Y-%m-%d_%H}" == first.name[:13]


@pytest.mark.parametrize(("name", "begins"), [
    ("trip_2026-02-03_0815.csv", "2026-02-03T08:15:29"), ("trip_20260203.csv", "2026-02-03T00:00:29"),
])  # fmt: skip
def test_seconds_since_the_start_begin_at_the_time_of_the_files_name(load, store, tmp_path, name, begins):
    rows = "\n".join(f"{n},800,20,88,1.6" for n in range(30))
    (tmp_path / name).write_text(f"t [s],n [1/min],load [%],ECT [\u00b0C],LTFT B1 [%]\n{rows}\n", encoding="utf-8")
    code, told = load(tmp_path / name, "--yes", "--answer", "vehicle_id=V1")
    assert code == 0, told
    assert read_evidence(store).snapshots["read_at"][0].isoformat()[:19] == begins


def test_a_column_of_measurements_is_known_by_its_cells_whatever_it_is_called(load, store, tmp_path):
    rows = "".join(f"A;{day:02d}.03.2026;{what};{n + day / 8}\n" for day in range(1, 9) for n, what in enumerate(
        ("LTFT B1", "Coolant temp", "Brake pad")))  # fmt: skip
    (tmp_path / "meresek.csv").write_text(f"Plate;Date;M\u00e9r\u00e9s;Eredm\u00e9ny\n{rows}", encoding="utf-8")
    code, told = load(tmp_path / "meresek.csv", "--yes")
    assert code == 0, told
    assert read_evidence(store).snapshots["ltft_b1"].to_list() == [day / 8 for day in range(1, 9)]


@pytest.mark.parametrize(("answer", "says"), [("undated", "far from neutral"), ("order", "far from neutral")])
def test_of_a_file_without_dates_the_values_alone_are_said_and_none_is_stored(load, store, tmp_path, answer, says):
    (tmp_path / "vans.csv").write_text(UNDATED)
    code, told = load(tmp_path / "vans.csv", "--yes")
    assert code == 2
    assert "undated (not known: show what the values alone say, load nothing)" in told
    code, told = load(tmp_path / "vans.csv", "--answer", f"read_at={answer}")
    assert code == 0, told
    assert f"V3: Long-term fuel trim, bank 1 reads 19.5 %, {says}: healthy engines read -10 to 10 %, 22 %" in told
    assert "V1: its 2 corrections read as healthy engines do" in told
    assert not store.exists()


def test_a_date_for_all_rows_may_be_said_at_the_question(load, store, tmp_path):
    (tmp_path / "vans.csv").write_text(UNDATED)
    code, told = load(tmp_path / "vans.csv", typed="2026-03-02\ny\nvans\n")
    assert code == 0, told
    assert set(read_evidence(store).snapshots["read_at"].dt.strftime("%Y-%m-%d")) == {"2026-03-02"}


def test_a_file_of_which_nothing_but_its_keys_is_understood_is_not_loaded(load, store, tmp_path):
    (tmp_path / "odd.csv").write_text("Van,When,Foo\nA,2031-01-01,3\nA,2031-01-02,4\n")
    code, told = load(tmp_path / "odd.csv", "--yes")
    assert code == 2
    assert "nothing of it but vehicle and time is understood (not: Foo)" in told
    assert not store.exists()
