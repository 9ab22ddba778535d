import os

import duckdb
import pytest

from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store import schema
from pipelines.store.backup import back_up, restore
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
    assert len(list(store.path.glob("state-*"))) == 2


def test_leftovers_of_a_killed_writer_are_removed_by_the_next(store, small_drop):
    load(store, [small_drop])
    (store.path / "next-000002.duckdb").write_bytes(b"half")
    (store.path / "next-000002.duckdb.wal").write_bytes(b"half")
    with store.writing("test"):
        pass
    assert sorted(path.name for path in store.path.iterdir()) == [
        "current", "lock", "state-000001.duckdb", "state-000002.duckdb",
    ]  # fmt: skip


def test_a_lost_pointer_is_found_again_from_the_states(store, small_drop):
    load(store, [small_drop])
    (store.path / "current").unlink()
    assert count(store) == 3


def test_a_damaged_state_is_one_clear_error(store, small_drop):
    load(store, [small_drop])
    store.state_file(1).write_bytes(b"not a database" * 1000)
    with pytest.raises(StoreError, match=r"not as long as it was written\. .* leeway store restore"), store.reading():
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
    back_up(store, tmp_path / "backup")
    with store.writing("test") as connection:
        connection.execute("DELETE FROM snapshots")
    restored = restore(store, tmp_path / "backup")
    assert vehicle_snapshots(store, "v1").equals(before)
    assert restored is not None
    assert restored.kept is not None
    assert restored.kept.exists()


def test_a_file_that_is_no_backup_is_refused(store, small_drop, tmp_path):
    load(store, [small_drop])
    (tmp_path / "junk").write_bytes(b"junk" * 5000)
    with pytest.raises(StoreError, match="Name a file that `leeway store backup` wrote"):
        restore(store, tmp_path / "junk")
    assert count(store) == 3


def test_a_store_of_an_older_form_is_brought_forward_by_reading(store, small_drop, monkeypatch):
    load(store, [small_drop])
    step = ("a test's column", lambda connection: connection.execute("ALTER TABLE vehicles ADD COLUMN colour VARCHAR"))
    monkeypatch.setattr(schema, "STEPS", [*schema.STEPS, step])
    assert count(store) == 3
    with store.reading() as connection:
        assert "colour" in schema.columns_of(connection, "vehicles")
