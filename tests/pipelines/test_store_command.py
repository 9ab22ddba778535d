"""The commands that look after a store, and the limits of a time, as people type them."""

import pytest
from click.testing import CliRunner, Result

from pipelines.command import COMMANDS
from pipelines.errors import LeewayError
from pipelines.store.folder import Store


@pytest.fixture
def run(tmp_path, drop):
    """Runs a command on a store into which one drop was loaded; its result."""

    def typed(*words: object) -> Result:
        name, *rest = [str(word) for word in words]
        command = next(command for command in COMMANDS if command.name == name)
        return CliRunner().invoke(command, [*rest, "--store", str(tmp_path / "store")])

    vehicles, snapshots = "vehicle_id,engine_family\nv1,alder\n", "vehicle_id,read_at\nv1,2031-01-06T08:00:00Z\n"
    assert typed("load", drop("2031-01", vehicles=vehicles, snapshots=snapshots)).exit_code == 0
    return typed


def test_loads_are_listed_newest_first_and_withdrawn_by_number_or_drop(run):
    lines = run("store", "loads").stdout.splitlines()
    assert [line.split()[0] for line in lines] == ["2", "1"]
    assert lines[0].endswith("2031-01/snapshots.csv, snapshots, 1 rows")
    assert "Withdrew 2: 2031-01/snapshots.csv" in run("store", "withdraw", "2").stdout
    assert ", withdrawn 20" in run("store", "loads").stdout.splitlines()[0]
    assert "1 rows do not stand any more, 0 stand in their place" in run("store", "withdraw", "2031-01").stdout
    assert "was withdrawn before" in str(run("store", "withdraw", "1").exception)


def test_a_whole_store_is_checked_backed_up_and_not_restored_without_need(run, tmp_path):
    assert "whole." in run("store", "check").stdout
    assert run("store", "backup", "--to", tmp_path / "backup").exit_code == 0
    assert "whole, nothing was done" in run("store", "restore").stdout
    assert "Restored" in run("store", "restore", tmp_path / "backup").stdout


def test_a_damaged_store_is_found_by_check_and_restored_from_what_lies_there(run, tmp_path):
    assert run("store", "withdraw", "2").exit_code == 0
    store = Store(tmp_path / "store")
    store.state_file(2).write_bytes(store.state_file(2).read_bytes()[:-300_000])
    found = run("store", "check")
    assert found.exit_code == 1
    assert "state-000002.duckdb: damaged" in found.stdout
    assert "leeway store restore" in found.stdout
    assert isinstance(run("store", "loads").exception, LeewayError)
    assert f"Restored {store.state_file(1)}" in run("store", "restore").stdout
    assert ", withdrawn" not in run("store", "loads").stdout


@pytest.mark.parametrize("words", [["analyse", "--as-of"], ["backtest", "--from", "2031-01-01", "--to"]])
def test_a_time_beyond_everything_known_is_refused(run, words):
    error = run(*words, "9999-12-31").exception
    assert isinstance(error, LeewayError)
    assert "is later than now and than the newest row" in str(error)
    assert "2031-01-06 08:00 UTC: nothing is known of it" in str(error)


def test_forgetting_a_name_that_is_not_there_is_one_line(run):
    assert "nobody on the list of names is called 'Anna'" in str(run("store", "forget-name", "Anna").exception)


def test_forgetting_what_was_never_published_is_one_line(run):
    assert "Nothing is published at all" in str(run("store", "forget", "2031-01-06").exception)
