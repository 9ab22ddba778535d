"""Decisions about visits as they are typed: what a form asks for, and the entry that it becomes."""

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime, time

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


@dataclass(frozen=True, kw_only=True)
class Visit:
    """A decision as it is typed into the form.

    Attributes:
        vehicle_id: Whose visit.
        value: A key of ANSWERS.
        on: The day; of `accept`, `pin`, `put_off` what they name, of `done` when it was done.
        text: The reason, or what was found.
        work: Kind of work, of `done`.
        component: Part worked on, of `done`; empty: not said.
        name: Of the one who decides.
        client_key: Under which it is entered once, however often it is sent.
        reader: Whose day it is.
    """

    vehicle_id: str
    value: str
    on: date
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
            noon = datetime.combine(self.on, time(12), tzinfo=self.reader.zone).astimezone(UTC)
            at = min(noon, self.reader.as_of) if self.on == self.reader.local(self.reader.as_of).date() else noon
            work = {"kind": self.work, "done_at": at.isoformat().replace("+00:00", "Z")}
            parts = {"component": self.component.strip(), "note": said}
            return json.dumps({**work, **{name: value for name, value in parts.items() if value}})
        return json.dumps({"text": said}) if said else None
