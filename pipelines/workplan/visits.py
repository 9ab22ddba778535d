"""What people decided about the visits of vehicles, out of their entries; entries in, decisions out, no calendar."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from pipelines.entries.checking import details_of
from pipelines.entries.standing import newest_of_each

FIXED = ("accept", "pin")  # a person chose the day
AWAY = ("dismiss", "exclude", "start", "done")  # no visit is to be proposed


@dataclass(frozen=True, kw_only=True)
class Decision:
    """The newest decision about one vehicle's visit.

    Attributes:
        value: accept, pin, put_off, dismiss, exclude, start or done.
        day: The day that it names (accept, pin), from which on (put_off), or until which it holds (dismiss, exclude).
        who: Key of the person.
        entered_at: When.
        text: The reason given; empty: none.
    """

    value: str
    day: date | None
    who: str
    entered_at: datetime
    text: str

    @property
    def fixed(self) -> bool:
        """Whether a person chose the day, so that the visit is not moved."""
        return self.value in FIXED and self.day is not None

    @property
    def because(self) -> str:
        """' by WHO: TEXT', for the end of a sentence."""
        return f" by {self.who}" + (f": {self.text}" if self.text else "")


def decisions(entries: pl.DataFrame, planned: Mapping[str, date], as_of: datetime) -> dict[str, Decision]:
    """The newest decision on the visit of each vehicle that still holds at `as_of`, by vehicle.

    Args:
        entries: Those that count, columns of the contract's `entry`.
        planned: The day of each vehicle in the plan that people saw: what an `accept` without a day means.
        as_of: Time of the plan; a visit fixed on an earlier day is over. Dismissed and excluded hold until the day that
            they name, or until somebody decides otherwise.
    """
    found: dict[str, Decision] = {}
    for row in newest_of_each(entries.filter(pl.col("kind") == "visit"), "vehicle_id").iter_rows(named=True):
        day = row["until"] or (planned.get(row["vehicle_id"]) if row["value"] == "accept" else None)
        said = details_of(row["detail"])
        decision = Decision(
            value=row["value"],
            day=day,
            who=row["who"] or "",
            entered_at=row["entered_at"],
            text=str(said.get("text") or "").strip(),
        )
        done_at = datetime.fromisoformat(str(said["done_at"])) if row["value"] == "done" and "done_at" in said else None
        if _holds(decision, done_at, as_of):
            found[row["vehicle_id"]] = decision
    return found


def _holds(decision: Decision, done_at: datetime | None, as_of: datetime) -> bool:
    today = as_of.date()
    if decision.value in FIXED:
        return decision.day is not None and decision.day >= today
    if decision.value == "done":  # work up to as_of counts as such already
        return done_at is None or done_at > as_of
    if decision.value == "put_off":
        return decision.day is not None and decision.day > today
    return decision.day is None or today <= decision.day
