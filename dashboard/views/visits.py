"""What people decided about a vehicle's visit, in words, laid over what was published; entries in, words out."""

from typing import Any

import polars as pl

from dashboard.views.wording import Reader, sentence
from pipelines.entries.checking import details_of

WORDS = {
    "accept": "the visit is accepted",
    "put_off": "the visit is put off",
    "dismiss": "no visit is needed",
    "pin": "the visit is fixed",
    "exclude": "it stays out of the plan",
    "start": "it is in the workshop",
    "done": "the work is done",
}
ON = {"accept": "for", "put_off": "until", "pin": "on"}  # word before the day


def visit_sentence(
    vehicle_id: str, counts: pl.DataFrame, people: dict[str, str], reader: Reader, *, counted: set[str]
) -> str:
    """The newest thing that was said of a vehicle's visit and still holds; empty: nothing.

    A day that has passed no longer holds; work that the analysis has counted stands in the vehicle's record.

    Args:
        vehicle_id: The fleet number.
        counts: Entries that count, oldest first.
        people: Names by key.
        reader: Whose day it is.
        counted: Entries that the analysis shown has looked at.
    """
    said = counts.filter(pl.col("kind") == "visit", pl.col("vehicle_id") == vehicle_id)
    if said.is_empty():
        return ""
    newest = said.row(-1, named=True)
    today = reader.local(reader.as_of).date()
    passed = newest["value"] in ("put_off", "pin") and newest["until"] < today
    if passed or (newest["value"] == "done" and newest["entry_id"] in counted):
        return ""
    return _words(newest, people, reader)


def _words(newest: dict[str, Any], people: dict[str, str], reader: Reader) -> str:
    day = f" {ON[newest['value']]} {reader.day(newest['until'])}" if newest["until"] and newest["value"] in ON else ""
    by = people.get(newest["who"], newest["who"])
    reason = details_of(newest["detail"]).get("text")
    because = f": {reason}" if isinstance(reason, str) and reason else ""
    waits = " It counts with the next analysis." if newest["value"] == "done" else ""
    return f"{sentence(WORDS[newest['value']])}{day} ({by}, {reader.day(newest['entered_at'])}){because}.{waits}"
