from datetime import UTC, datetime

import polars as pl
import pytest

from pipelines.catalogue.tables import entry_columns
from pipelines.entries.standing import counting, withdrawn_ids


def at(day: int) -> datetime:
    return datetime(2031, 1, day, tzinfo=UTC)


def record(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame([{"who": "a", **row} for row in rows], schema=entry_columns().schema)


RECORD = record(
    {"entry_id": "e1", "entered_at": at(1), "kind": "note", "value": "early", "subject": "fleet"},
    {"entry_id": "e2", "entered_at": at(5), "kind": "note", "value": "late", "subject": "fleet"},
    {"entry_id": "e3", "entered_at": at(6), "kind": "held", "value": "keep", "subject": "b1"},
    {"entry_id": "e4", "entered_at": at(7), "kind": "note", "withdraws": "e1"},
)


@pytest.mark.parametrize(
    ("as_of", "known_at", "left"),
    [
        (None, None, ["e2", "e3"]),
        (at(3), None, ["e3"]),  # decisions on held readings and withdrawals say what a reading was: always
        (at(3), at(3), ["e1"]),  # what was known then: neither
        (None, at(6), ["e1", "e2", "e3"]),
    ],
)
def test_later_entries_do_not_count_decisions_and_withdrawals_excepted(as_of, known_at, left):
    assert counting(RECORD, as_of=as_of, known_at=known_at)["entry_id"].to_list() == left


def test_a_withdrawal_that_is_withdrawn_gives_back_what_it_took():
    assert withdrawn_ids([("e2", "e1")]) == {"e1"}
    assert withdrawn_ids([("e2", "e1"), ("e3", "e2")]) == {"e2"}
    assert withdrawn_ids([("e2", "e1"), ("e3", "e2"), ("e4", "e3")]) == {"e1", "e3"}


def test_an_entry_that_withdraws_another_and_says_something_itself_counts():
    both = record(
        {"entry_id": "e1", "entered_at": at(1), "kind": "held", "value": "keep", "subject": "b1"},
        {"entry_id": "e2", "entered_at": at(2), "kind": "held", "value": "convert", "subject": "b1", "withdraws": "e1"},
    )
    assert counting(both)["value"].to_list() == ["convert"]
