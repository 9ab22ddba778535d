import polars as pl
import pytest
from click.testing import CliRunner, Result

from pipelines.command import COMMANDS
from pipelines.errors import LeewayError
from pipelines.store.folder import Store
from pipelines.store.publish import publish_table
from pipelines.store.published import quarantined

GOOD = "vehicle_id,read_at,ltft_b1_idle\nv1,2031-01-06T08:00:00Z,1.5\n"


def run(*words: object, store: object = None) -> Result:
    name, *rest = [str(word) for word in words]
    command = next(command for command in COMMANDS if command.name == name)
    place = [] if store is None else ["--store", str(store)]
    return CliRunner().invoke(command, [*rest, *place])


@pytest.fixture
def drop(tmp_path):
    folder = tmp_path / "drop"
    folder.mkdir()
    (folder / "vehicles.csv").write_text("vehicle_id,engine_family\nv1,alder\n")
    (folder / "snapshots.csv").write_text(GOOD)
    return folder


def test_every_command_teaches_with_an_example():
    for command in COMMANDS:
        words = [command.name, "check"] if command.name == "store" else [command.name]
        assert "Example" in run(*words, "--help").output


def test_load_exits_0_when_all_loaded_3_with_quarantine_2_when_nothing_could_be_read(tmp_path, drop):
    store = tmp_path / "store"
    assert run("load", drop, store=store).exit_code == 0
    (drop / "snapshots-2.csv").write_text(GOOD.replace("1.5", "lean"))
    result = run("load", drop, store=store)
    assert result.exit_code == 3
    assert "snapshots-2.csv, ltft_b1_idle: not a number; 1 quarantined (first: row 2: lean)" in result.stdout
    (tmp_path / "vehicles.parquet").write_text("no")
    assert run("load", tmp_path / "vehicles.parquet", store=store).exit_code == 2


def test_a_dry_run_with_a_mapping_shows_what_it_makes_of_each_column(tmp_path):
    (tmp_path / "log.csv").write_text("When;Trim;Gear\n2031-01-06T08:00:00Z;1,5 %;3\n")
    (tmp_path / "m.toml").write_text(
        'table = "snapshots"\n[constants]\nvehicle_id = "v1"\n[[column]]\nto = "read_at"\nfrom = "When"\n'
        '[[column]]\nto = "ltft_b1_idle"\nfrom = "Trim"\n'
    )
    store = tmp_path / "store"
    result = run("load", tmp_path / "log.csv", "--mapping", tmp_path / "m.toml", "--dry-run", store=store)
    assert "ltft_b1_idle: from 'Trim', whose first cell '1,5 %' becomes 1.5 %" in result.stdout
    assert "Nothing is made of: Gear." in result.stdout
    assert not store.exists()


def test_errors_are_ones_that_the_front_door_shows_as_one_line(tmp_path, drop):
    for words in (["load", tmp_path / "none"], ["analyse"], ["plan"], ["export", "vehicle_state", "--to", "x.csv"]):
        error = run(*words, store=tmp_path / "store").exception
        assert isinstance(error, LeewayError)
        assert "\n" not in str(error)
    run("load", drop, store=tmp_path / "store")
    assert "Run: leeway analyse" in str(run("plan", store=tmp_path / "store").exception)
    assert "no reading up to" in str(run("analyse", "--as-of", "2020-01-01", store=tmp_path / "store").exception)


def test_the_store_is_named_by_the_environment_too(tmp_path, drop):
    command = next(command for command in COMMANDS if command.name == "load")
    CliRunner(env={"LEEWAY_STORE": str(tmp_path / "named")}).invoke(command, [str(drop)])
    assert Store(tmp_path / "named").exists()


@pytest.mark.parametrize("ending", ["parquet", "csv", "xlsx"])
def test_export_writes_a_table_in_each_format(tmp_path, drop, ending):
    store = Store(tmp_path / "store")
    run("load", drop, store=store.path)
    frame = pl.DataFrame({"vehicle_id": ["v1", "=v2"], "correction": ["-a", "-1.5"], "share": [0.25, None]})
    publish_table(
        store,
        "outlier_reason",
        frame,
        pl.datetime_range(*[pl.datetime(2031, 1, 6, time_zone="UTC")] * 2, eager=True)[0],
    )
    target = tmp_path / f"out.{ending}"
    assert run("export", "outlier_reason", "--to", target, store=store.path).exit_code == 0
    read = {"parquet": pl.read_parquet, "csv": pl.read_csv, "xlsx": pl.read_excel}[ending](target)
    assert read.columns == ["as_of", "vehicle_id", "correction", "share"]
    protected = "'" if ending == "csv" else ""
    assert read["vehicle_id"].to_list() == ["v1", f"{protected}=v2"]
    assert read["correction"].cast(pl.String).to_list() == [f"{protected}-a", "-1.5"]
    assert "ends in none of" in str(
        run("export", "outlier_reason", "--to", tmp_path / "x.doc", store=store.path).exception
    )


def test_a_store_is_checked_backed_up_restored_and_its_quarantine_exported(tmp_path, drop):
    store = tmp_path / "store"
    (drop / "faults.csv").write_text("vehicle_id,read_at,code\nv1,2031-01-06T08:00:00Z,?\n")
    run("load", drop, store=store)
    assert run("store", "check", store=store).output.endswith("state 1: whole.\n")
    assert run("store", "backup", "--to", tmp_path / "b", store=store).exit_code == 0
    assert run("store", "restore", tmp_path / "b", store=tmp_path / "other").exit_code == 0
    assert quarantined(Store(tmp_path / "other")).height == 1
    result = run("store", "quarantine", "export", "--to", tmp_path / "mend", store=tmp_path / "other")
    assert "Wrote 1 rows to" in result.output
