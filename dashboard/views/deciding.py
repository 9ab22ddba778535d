"""Decisions about visits as they are typed: what a form asks for, and the entry that it becomes."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any

import polars as pl

from dashboard.views.notes import LONGEST_NAME
from dashboard.views.wording import Reader
from pipelines.entries.entry import Entry

ANSWERS = {
    "accept": "Accept the visit on this day",
    "pin": "Pin it to this day",
    "put_off": "Put it off until this day",
    "dismiss": "Dismiss it: no visit is needed",
    "exclude": "Keep the vehicle out of the plan",
    "start": "It is in the workshop",
    "done": "It is done",
    "signed_off": "Checked and signed off: it may be driven",
}
WORK_DONE = ("inspection", "cleaning", "adjustment", "repair", "replacement", "reset", "codes_cleared")
ASKS_DAY = ("accept", "pin", "put_off")
TYPED = pl.Schema(dict.fromkeys(("decision", "text", "work", "component"), pl.String) | {"on": pl.Date})


@dataclass(frozen=True, kw_only=True)
class Visit:
    """A decision as it is typed into the form.

    Attributes:
        vehicle_id: Whose visit.
        value: A key of ANSWERS.
        on: The day; of `accept`, `pin`, `put_off` what they name, of `done` when it was done; None: not said.
        text: The reason, or what was found.
        work: Kind of work, of `done`.
        component: Part worked on, of `done`; empty: not said.
        name: Of the one who decides.
        client_key: Under which it is entered once, however often it is sent.
        reader: Whose day it is.
    """

    vehicle_id: str
    value: str
    on: date | None
    text: str
    work: str
    component: str
    name: str
    client_key: str
    reader: Reader

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""
        if self.value == "dismiss" and not self.text.strip():
            return "Say why no visit is needed: the next reader wants to know."
        if self.on is None and self.value in ASKS_DAY:
            return "Say on which day."
        if not self.name.strip():
            return "Say who decides: pick your name, or type it."
        return "" if len(self.name.strip()) <= LONGEST_NAME else "Your name is too long: shorten it."

    def entry(self, who: str) -> Entry:
        """The entry that it becomes."""
        signed = self.value == "signed_off"
        return Entry(
            kind="safe" if signed else "visit",
            who=who,
            vehicle_id=self.vehicle_id,
            value=self.value,
            until=self.on if self.value in ASKS_DAY else None,
            detail=self._detail(),
            client_key=self.client_key,
        )

    def _detail(self) -> str | None:
        said = self.text.strip()
        if self.value == "done":
            today = self.reader.local(self.reader.as_of).date()
            on = self.on or today
            noon = datetime.combine(on, time(12), tzinfo=self.reader.zone).astimezone(UTC)
            at = min(noon, self.reader.as_of) if on == today else noon
            work = {"kind": self.work, "done_at": at.isoformat().replace("+00:00", "Z")}
            parts = {"component": self.component.strip(), "note": said}
            return json.dumps({**work, **{name: value for name, value in parts.items() if value}})
        return json.dumps({"text": said}) if said else None


def to_decide(rows: pl.DataFrame, waiting: pl.DataFrame) -> pl.DataFrame:
    """The table in which several visits are decided: vehicle_id, day, depot, jobs, and empty cells to type into.

    Args:
        rows: Visits, as the plan's page shows them.
        waiting: Vehicles without a visit; `jobs` says why.
    """
    both = pl.concat(
        [rows.select("vehicle_id", "day", "depot", "jobs"), waiting.select("vehicle_id", "depot", jobs="reason")],
        how="diagonal",
    )
    empty = [pl.lit(None, dtype).alias(name) for name, dtype in TYPED.items()]
    order = ("vehicle_id", "day", "decision", "on", "text", "work", "component", "depot", "jobs")
    return both.with_columns(empty).select(order)


def decided_in(
    typed: pl.DataFrame, shown: pl.DataFrame, *, name: str, client_key: str, reader: Reader
) -> tuple[list[Visit], list[str]]:
    """The decisions of a table as it came back, and what is still to be typed, each line with its vehicle.

    An accepted visit without a day is accepted for the one shown.

    Args:
        typed: The table with the cells that were typed.
        shown: As it went out: whose row is whose does not depend on what a cell shows.
        name: Of the one who decides.
        client_key: Of the table.
        reader: Whose day it is.
    """
    keys = {label: value for value, label in ANSWERS.items()}
    visits = [
        Visit(
            vehicle_id=vehicle, value=keys[row["decision"]], on=row["on"] or (day if _accepts(row, keys) else None),
            text=row["text"] or "", work=row["work"] or WORK_DONE[0], component=row["component"] or "", name=name,
            client_key=f"{client_key}-{place}", reader=reader,
        )
        for place, (row, (vehicle, day)) in enumerate(
            zip(typed.iter_rows(named=True), shown.select("vehicle_id", "day").iter_rows(), strict=True)
        )
        if row["decision"] in keys
    ]  # fmt: skip
    return visits, [f"{visit.vehicle_id}: {visit.problem}" for visit in visits if visit.problem]


def _accepts(row: Mapping[str, Any], keys: Mapping[str, str]) -> bool:
    return keys[row["decision"]] == "accept"
