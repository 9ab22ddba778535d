"""The log of who did what is only ever added to, names people by keys, and forgets a name without breaking."""

import sqlite3
from datetime import UTC, datetime, timedelta

import pytest

from pipelines.entries.entry import Entry
from pipelines.errors import StoreError
from pipelines.store.acts import acts, acts_file, forget_acts, write_act
from pipelines.store.entries import append, forget_name, key_of_person, people


def test_lines_are_there_in_their_order_with_the_names_of_those_who_have_one(store):
    who = key_of_person(store, "Anna (anna@fleet.example)")
    write_act(store, who=who, what="signed in", about="technician")
    write_act(store, who=who, what="entered", about="check\nV1  " + "x" * 2000)
    told = acts(store)
    assert told["name"].to_list() == ["Anna (anna@fleet.example)"] * 2
    assert told["about"][1].startswith("check V1 x")
    assert len(told["about"][1]) == 500


def test_a_name_can_be_taken_out_and_the_lines_stay(store):
    who = key_of_person(store, "Anna")
    write_act(store, who=who, what="signed in")
    forget_name(store, "Anna")
    assert acts(store)["name"].to_list() == [who]
    assert b"Anna" not in b"".join(file.read_bytes() for file in store.path.rglob("*") if file.is_file())


@pytest.mark.parametrize("change", ["UPDATE act SET about = ''", "DELETE FROM act"])
def test_nothing_that_is_younger_than_a_month_can_be_changed_or_taken_out(store, change):
    write_act(store, who="p", what="loaded")
    with (
        sqlite3.connect(acts_file(store)) as log,
        pytest.raises(sqlite3.IntegrityError, match="only ever added to"),
    ):
        log.execute(change)
    assert acts(store).height == 1


def test_what_is_older_than_is_kept_goes_and_nothing_else(store):
    write_act(store, who="p", what="loaded", about="new")
    with sqlite3.connect(acts_file(store)) as log:
        for days in (40, 800):
            at = (datetime.now(UTC) - timedelta(days=days)).isoformat()
            log.execute("INSERT INTO act (at, who, what, about) VALUES (?, 'p', 'loaded', ?)", [at, f"{days}"])
    assert forget_acts(store, days=730) == 1
    assert set(acts(store)["about"]) == {"new", "40"}
    assert forget_acts(store, days=0) == 1  # a month is the least


def test_names_of_those_who_did_nothing_for_as_long_go_too_and_others_stay(store):
    for name, days in (("Anna", 1), ("Otto", 800), ("Mia", 800)):
        who = key_of_person(store, name)
        write_act(store, who=who, what="signed in")
        with sqlite3.connect(acts_file(store)) as log:
            log.execute("DROP TRIGGER act_is_not_changed")
            at = (datetime.now(UTC) - timedelta(days=days)).isoformat()
            log.execute("UPDATE act SET at = ? WHERE who = ?", [at, who])
    note = Entry(kind="note", who=key_of_person(store, "Mia"), subject="fleet", value="x")
    append(store, [note])
    forget_acts(store, days=365)
    assert {name for who, name in people(store).items() if who != name} == {"Anna", "Mia"}


def test_a_damaged_log_is_told(store):
    write_act(store, who="p", what="loaded")
    acts_file(store).write_bytes(b"no log" * 1000)
    with pytest.raises(StoreError, match="damaged file"):
        acts(store)
