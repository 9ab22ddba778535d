import os
import subprocess
import sys
import time
from datetime import date, timedelta

import duckdb
import pytest

from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store import schema
from pipelines.store.checking import breaches
from pipelines.store.connection import one_row
from pipelines.store.folder import Store
from pipelines.store.published import vehicle_snapshots


def count(store: Store, table: str = "snapshots") -> int:
    with store.reading() as connection:
        return one_row(connection, f"SELECT count(*) FROM {table}")[0]


def test_a_folder_without_a_store_says_what_to_do(store):
    assert store.version() == 0
    with pytest.raises(StoreError, match="no store here"), store.reading():
        pass


def test_a_store_is_a_folder_not_a_file(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="is a file; a store is a folder"):
        Store(tmp_path / "file")


def test_a_write_that_fails_changes_nothing_and_leaves_no_file(store, small_drop):
    load(store, [small_drop])
    files = sorted(path.name for path in store.path.iterdir())
    with pytest.raises(duckdb.Error), store.writing("test") as connection:
        connection.execute("DELETE FROM snapshots; SELECT no_such_column FROM snapshots")
    assert sorted(path.name for path in store.path.iterdir()) == files
    assert count(store) == 3


def test_a_second_writer_is_told_who_writes(store, small_drop):
    load(store, [small_drop])
    with (
        store.writing("a long load"),
        pytest.raises(StoreError, match=rf"process {os.getpid()} \(a long load\) since .* is writing to this store"),
        Store(store.path).writing("another", wait_s=0.0),
    ):
        pass


def test_readers_see_the_state_before_until_the_write_is_done(store, small_drop):
    load(store, [small_drop])
    with store.writing("test") as connection:
        connection.execute("DELETE FROM snapshots WHERE vehicle_id = 'v2'")
        assert count(store) == 3
    assert count(store) == 2


def test_a_reader_keeps_its_state_while_two_writes_pass(store, small_drop):
    load(store, [small_drop])
    with store.reading() as connection:
        for _ in range(2):
            with store.writing("test") as writing:
                writing.execute("DELETE FROM snapshots")
        assert one_row(connection, "SELECT count(*) FROM snapshots")[0] == 3
    assert count(store) == 0
    assert len(list(store.path.glob("state-*"))) == 1


def test_leftovers_of_a_killed_writer_are_removed_by_the_next(store, small_drop):
    load(store, [small_drop])
    (store.path / "next-000002.duckdb").write_bytes(b"half")
    (store.path / "next-000002.duckdb.wal").write_bytes(b"half")
    with store.writing("test"):
        pass
    assert sorted(path.name for path in store.path.iterdir()) == ["current", "lock", "state-000002.duckdb"]


def test_a_lost_pointer_is_found_again_from_the_states(store, small_drop):
    load(store, [small_drop])
    (store.path / "current").unlink()
    assert count(store) == 3


def test_a_damaged_state_is_one_clear_error(store, small_drop):
    load(store, [small_drop])
    store.state_file(1).write_bytes(b"not a database" * 1000)
    with pytest.raises(StoreError, match="Restore a backup"), store.reading():
        pass


def test_a_store_of_a_newer_release_is_refused_for_reading_and_writing(store, small_drop):
    load(store, [small_drop])
    with store.writing("test") as connection:
        connection.execute("UPDATE setting SET value = '99' WHERE name = 'schema_version'")
    version = store.version()
    with pytest.raises(StoreError, match="has form 99, this release knows up to"), store.reading():
        pass
    with pytest.raises(StoreError, match="Install the newer release"), store.writing("test"):
        pass
    assert store.version() == version


def test_a_backup_restores_what_was_and_keeps_what_it_replaces(store, small_drop, tmp_path):
    load(store, [small_drop])
    before = vehicle_snapshots(store, "v1")
    store.backup(tmp_path / "backup")
    with store.writing("test") as connection:
        connection.execute("DELETE FROM snapshots")
    kept = store.restore(tmp_path / "backup")
    assert vehicle_snapshots(store, "v1").equals(before)
    assert kept is not None
    assert kept.exists()


def test_a_file_that_is_no_backup_is_refused(store, small_drop, tmp_path):
    load(store, [small_drop])
    (tmp_path / "junk").write_bytes(b"junk" * 5000)
    with pytest.raises(StoreError, match="Name a file that `leeway store backup` wrote"):
        store.restore(tmp_path / "junk")
    assert count(store) == 3


def test_a_store_of_an_older_form_is_brought_forward_by_reading(store, small_drop, monkeypatch):
    load(store, [small_drop])
    step = ("a test's column", lambda connection: connection.execute("ALTER TABLE vehicles ADD COLUMN colour VARCHAR"))
    monkeypatch.setattr(schema, "STEPS", [*schema.STEPS, step])
    assert count(store) == 3
    with store.reading() as connection:
        assert "colour" in schema.columns_of(connection, "vehicles")


READER = """
import sys, time
from pathlib import Path
from pipelines.store.folder import Store
from pipelines.store.connection import frame_of
store, end = Store(sys.argv[1]), time.monotonic() + 60
seen = 0
while not Path(sys.argv[2]).exists() and time.monotonic() < end:
    with store.reading() as connection:
        sums = frame_of(connection, "SELECT count(*) n, count(DISTINCT load_id) loads FROM snapshots").row(0)
        time.sleep(0.002)
        again = frame_of(connection, "SELECT count(*) n, count(DISTINCT load_id) loads FROM snapshots").row(0)
    assert sums == again, (sums, again)
    assert sums[0] == 2 * sums[1], sums  # each load brings two rows: a half loaded file would show
    assert sums[0] >= seen, (sums, seen)
    seen = sums[0]
print(seen)
"""


def two_rows(number: int) -> str:
    day = f"2031-{1 + number // 28:02d}-{1 + number % 28:02d}"
    return f"vehicle_id,read_at\nv1,{day}T08:00:00Z\nv2,{day}T09:00:00Z\n"


def test_another_process_reads_whole_states_all_the_while_a_writer_loads(store, drop, tmp_path):
    load(store, [drop("first", snapshots=two_rows(0))])
    done = tmp_path / "done"
    with subprocess.Popen(
        [sys.executable, "-c", READER, store.path, done], stdout=subprocess.PIPE, text=True
    ) as reader:
        try:
            for number in range(1, 15):
                load(store, [drop(f"drop{number}", snapshots=two_rows(number))])
        finally:
            time.sleep(0.3)
            done.touch()
        seen, _ = reader.communicate(timeout=60)
    assert reader.returncode == 0
    assert int(seen) == 30


KILLER = """
import os, random, signal, sys, time
from datetime import datetime
from pathlib import Path
from pipelines.intake.load import load
from pipelines.store.folder import Store
from pipelines.store.published import vehicle_snapshots

store, drops, written = Store(sys.argv[1]), sorted(Path(sys.argv[2]).iterdir()), Path(sys.argv[3])

def acknowledged():
    return written.read_text().split() if written.exists() else []

def check_then_load(ready):
    if store.exists():
        for vehicle in ("v1", "v2"):
            days = [f"{time:%Y-%m-%d}" for time in vehicle_snapshots(store, vehicle)["read_at"]]
            assert len(days) == len(set(days)), "a row stands twice"
            assert set(acknowledged()) <= set(days), "an acknowledged row is lost"
    os.write(ready, b"x")
    for drop in drops[len(acknowledged()):]:
        load(store, [drop])
        with written.open("a") as file:
            file.write(drop.name + " ")

generator = random.Random(7)  # this process only forks and kills: no thread runs in it
longest = 0.2  # seconds a loader may live; more on a slow machine, so that some of its loads get done
for _ in range(int(sys.argv[4])):
    before = len(acknowledged())
    told, ready = os.pipe()
    child = os.fork()
    if not child:
        check_then_load(ready)
        os._exit(0)
    os.close(ready)
    if os.read(told, 1) != b"x":
        sys.exit("the check failed")
    time.sleep(generator.uniform(0.0, longest))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    os.close(told)
    if len(acknowledged()) == before:
        longest *= 1.1
print(len(acknowledged()))
"""


def test_a_loader_killed_at_fifty_random_moments_loses_no_acknowledged_row_and_doubles_none(store, tmp_path):
    first = date(2031, 1, 1)
    for day in (first + timedelta(days=number) for number in range(400)):
        folder = tmp_path / "drops" / f"{day}"
        folder.mkdir(parents=True)
        text = f"vehicle_id,read_at\nv1,{day}T08:00:00Z\nv2,{day}T09:00:00Z\n"
        (folder / "snapshots.csv").write_text(text)
    arguments = [store.path, tmp_path / "drops", tmp_path / "acknowledged", "51"]
    killer = subprocess.run([sys.executable, "-c", KILLER, *arguments], capture_output=True, text=True, check=False)
    assert killer.returncode == 0, killer.stderr
    assert int(killer.stdout) > 5
    assert breaches(store) == []
