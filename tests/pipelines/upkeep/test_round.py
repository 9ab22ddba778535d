"""A round of upkeep does what is due and nothing else; killed, run twice or beside another it loses nothing."""

import os
import time
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from dashboard.command import leeway
from pipelines.errors import LockedError, StoreError
from pipelines.settings_file import Backups, Inbox, ServiceSettings, Tending
from pipelines.store.folder import Store
from pipelines.store.lock import writers_lock
from pipelines.upkeep.rotation import backups_in
from pipelines.upkeep.round import tend
from pipelines.upkeep.runs import record_file, runs, taken_up


@pytest.fixture
def settings(tmp_path) -> ServiceSettings:
    (tmp_path / "in").mkdir()
    return ServiceSettings(
        inbox=Inbox(folders=(str(tmp_path / "in"),), settle_seconds=1.0),
        backup=Backups(folder=str(tmp_path / "backups")),
        tend=Tending(digest=str(tmp_path / "new.md")),
    )


def lay(settings, name, text):
    file = Path(settings.inbox.folders[0]) / name
    file.write_text(text)
    os.utime(file, (time.time() - 60,) * 2)


def weeks(first, count):
    rows = [f"v{number},2031-{1 + week // 4:02d}-{1 + 7 * (week % 4):02d}T08:00:00Z,{0.4 * (week % 3)}"
            for number in (1, 2, 3) for week in range(first, first + count)]  # fmt: skip
    return "vehicle_id,read_at,ltft_b1\n" + "\n".join(rows) + "\n"


def by_command(store):
    """Runs the real commands in this process."""

    def run(arguments):
        done = CliRunner().invoke(leeway, [*arguments, "--store", str(store.path)])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, done.output.splitlines()

    return run


def test_a_night_takes_up_what_came_analyses_plans_tells_backs_up_and_checks(tmp_path, settings):
    store = Store(tmp_path / "fleet.store")
    lay(settings, "vehicles.csv", "vehicle_id,engine_family\nv1,alder\nv2,alder\nv3,alder\n")
    lay(settings, "snapshots.csv", weeks(0, 8))
    run = by_command(store)
    first = list(tend(store, settings, run))
    assert [(done.job, done.exit_code) for done in first] == [
        ("load", 0), ("analyse", 0), ("plan", 0), ("digest", 0), ("backup", 0), ("check", 0),
    ]  # fmt: skip
    assert len(backups_in(tmp_path / "backups")) == 1
    assert (tmp_path / "new.md").read_text().startswith("#")

    assert list(tend(store, settings, run)) == []  # nothing is due any more

    lay(settings, "snapshots-2.csv", weeks(8, 1))
    again = list(tend(store, settings, lambda arguments: run(arguments) if arguments[0] == "load" else (0, [])))
    assert [done.job for done in again] == ["load", "analyse"]  # which published nothing here, so nothing follows
    told = runs(store.path)
    assert told.height == 8
    assert told.get_column("ended_at").null_count() == 0
    assert {each.path.rsplit("/", 1)[1] for each in taken_up(store.path)} == {
        "vehicles.csv", "snapshots.csv", "snapshots-2.csv",
    }  # fmt: skip


def test_a_round_that_is_killed_is_made_up_for_by_the_next(tmp_path, settings):
    store = Store(tmp_path / "fleet.store")
    lay(settings, "vehicles.csv", "vehicle_id,engine_family\nv1,alder\n")
    lay(settings, "snapshots.csv", weeks(0, 2))
    real = by_command(store)

    def killed(arguments):
        real(arguments)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(tend(store, settings, killed))
    assert taken_up(store.path) == set()  # it was loaded, and not written down
    quiet = replace(settings, tend=Tending(check_every_days=7), backup=Backups())
    jobs = list(tend(store, quiet, lambda arguments: real(arguments) if arguments[0] == "load" else (0, [])))
    assert jobs[0].job == "load"
    assert "skipped" in "\n".join(jobs[0].said)  # the same content does nothing a second time
    open_runs = runs(store.path).filter(runs(store.path)["ended_at"].is_null())
    assert open_runs.get_column("job").to_list() == ["load"]  # the killed one is seen as such


def test_what_failed_stops_what_rests_on_it_and_nothing_else(tmp_path, settings):
    store = Store(tmp_path / "fleet.store")
    real = by_command(store)
    lay(settings, "vehicles.csv", "vehicle_id,engine_family\nv1,alder\nv2,alder\nv3,alder\n")
    lay(settings, "snapshots.csv", weeks(0, 4))
    done = list(
        tend(store, settings, lambda arguments: (2, ["no room"]) if arguments[0] == "analyse" else real(arguments))
    )
    assert [(each.job, each.well) for each in done] == [
        ("load", True), ("analyse", False), ("backup", True), ("check", True),
    ]  # fmt: skip
    assert runs(store.path).filter(runs(store.path)["job"] == "analyse")["said"].to_list() == ["no room"]


def test_a_watched_folder_that_is_gone_is_a_failed_load_and_the_rest_goes_on(tmp_path, settings, small_drop):
    store = Store(tmp_path / "fleet.store")
    by_command(store)(["load", str(small_drop)])
    gone = replace(settings, inbox=Inbox(folders=(str(tmp_path / "gone"),)))
    done = list(tend(store, gone, lambda _: (0, [])))
    assert (done[0].job, done[0].well) == ("load", False)
    assert "no folder that can be read" in done[0].said[0]
    assert [each.job for each in done[1:]] == ["backup", "check"]  # what was loaded by hand before waits for a load


def test_two_rounds_at_once_exclude_each_other(tmp_path, settings):
    store = Store(tmp_path / "fleet.store")
    (store.path / "upkeep").mkdir(parents=True)
    with (
        writers_lock(store.path / "upkeep" / "lock", who="upkeep", wait_s=0.0),
        pytest.raises(LockedError, match="upkeep"),
    ):
        list(tend(store, settings, lambda _: (0, [])))


def test_a_damaged_record_is_told_with_what_to_do(tmp_path):
    file = record_file(tmp_path)
    file.parent.mkdir()
    file.write_bytes(b"no record at all" * 100)
    with pytest.raises(StoreError, match="Remove it if it is damaged"):
        runs(tmp_path)
