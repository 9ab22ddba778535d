"""Backups hold what people entered; restoring adds to the record and takes nothing away; a damaged record is mended."""

import shutil
import sqlite3
from contextlib import closing

import pytest

from pipelines.entries.entry import Entry
from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store.backup import back_up, restore
from pipelines.store.checking import breaches
from pipelines.store.entries import append, entries_file, key_of_person, people, read_entries
from pipelines.store.folder import Store
from pipelines.store.published import load_reports


def note(value, key=None, **words):
    return Entry(**{"who": "a", "kind": "note", "subject": "fleet", "value": value, "client_key": key, **words})


def values(store):
    return read_entries(store)["value"].to_list()


@pytest.fixture
def filled(store, small_drop) -> Store:
    load(store, [small_drop])
    return store


def settled(store) -> bytes:
    """The record's file with everything in it."""
    with closing(sqlite3.connect(entries_file(store))) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return entries_file(store).read_bytes()


def test_a_backup_is_one_file_that_gives_back_what_was_entered(filled, tmp_path):
    who = key_of_person(filled, "Anna Berg")
    append(filled, [note("one", who=who), note("two", "k")])
    back_up(filled, tmp_path / "backup")
    other = Store(tmp_path / "other")
    done = restore(other, tmp_path / "backup")
    assert done.entries == 2
    assert read_entries(other).equals(read_entries(filled))
    assert people(other) == people(filled)
    assert load_reports(other).height == 2
    assert breaches(other) == []
    back_up(other, tmp_path / "again")  # a state holds no record: the next backup has the newest one
    assert restore(other, tmp_path / "again").entries == 0


def test_entries_made_since_a_backup_stay_and_a_key_is_still_taken_once(filled, tmp_path):
    append(filled, [note("one")])
    shutil.copytree(filled.path, tmp_path / "copy")
    copy = Store(tmp_path / "copy")
    (theirs,) = append(copy, [note("keyed there", "k")])
    append(copy, [Entry(who="a", kind=None, withdraws=theirs.entry_id)])
    back_up(copy, tmp_path / "backup")
    (ours,) = append(filled, [note("keyed here", "k")])
    append(filled, [note("since")])
    assert restore(filled, tmp_path / "backup").entries == 1  # the withdrawal; `keyed there` is `keyed here`
    assert [value for value in values(filled) if value] == ["one", "keyed here", "since"]
    assert read_entries(filled)["withdraws"].drop_nulls().to_list() == [ours.entry_id]
    assert breaches(filled) == []


def test_a_backup_made_before_anything_was_entered_leaves_the_record_alone(filled, tmp_path):
    back_up(filled, tmp_path / "backup")
    append(filled, [note("one")])
    assert restore(filled, tmp_path / "backup").entries == 0
    assert values(filled) == ["one"]


def test_check_reads_the_record_and_a_damaged_one_is_one_line_and_gives_no_backup(filled, tmp_path):
    append(filled, [note("x" * 300)] * 200)
    whole = settled(filled)
    damaged = Store(tmp_path / "damaged")
    shutil.copytree(filled.path, damaged.path)
    entries_file(damaged).write_bytes(whole[:8192] + b"\x00" * 4096 + whole[12288:])
    (line,) = breaches(damaged)
    assert str(entries_file(damaged)) in line
    assert "\n" not in line
    with pytest.raises(StoreError, match="damaged"):
        back_up(damaged, tmp_path / "backup")
    assert list(tmp_path.glob("backup*")) == []
    assert load_reports(damaged).height == 2  # everything else goes on


@pytest.mark.parametrize("with_backup", [True, False])
def test_restore_puts_a_damaged_record_aside_and_goes_on_with_what_can_be_read(filled, tmp_path, with_backup):
    append(filled, [note(f"{number} {'x' * 300}") for number in range(100)])
    back_up(filled, tmp_path / "backup")
    append(filled, [note(f"{number} {'x' * 300}") for number in range(100, 120)])
    whole = settled(filled)
    damaged = Store(tmp_path / "damaged")
    shutil.copytree(filled.path, damaged.path)
    entries_file(damaged).write_bytes(whole[: len(whole) // 2])
    done = restore(damaged, tmp_path / "backup" if with_backup else None)
    assert done.record_aside.exists()
    assert breaches(damaged) == []
    numbers = [int(value.split()[0]) for value in values(damaged)]
    if with_backup:
        assert numbers[:100] == list(range(100))
    append(damaged, [note("goes on")])
    assert values(damaged)[-1] == "goes on"
