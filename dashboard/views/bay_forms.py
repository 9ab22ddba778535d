"""What is typed at the vehicle: a reading, the work that was done, a sign-off; and the entries that they become."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time

from dashboard.views.notes import LONGEST_NAME
from dashboard.views.wording import Reader
from pipelines.entries.entry import Entry

CIRCUMSTANCES = {  # columns of snapshots that are typed with a reading -> label
    "odometer_km": "Odometer, km",
    "ignition_hours": "Module clock, h",
    "coolant_c": "Coolant, °C",
    "ambient_c": "Outside, °C",
    "battery_v": "Battery, V",
}
WORK_DONE = ("repair", "replacement", "cleaning", "adjustment", "inspection", "reset", "codes_cleared")
NOT_NAMED = ("no_fault_found", "other")  # what it may turn out to be beside the causes


def name_problem(name: str, who: str) -> str:
    """What is missing of a name; empty: nothing."""
    if not name.strip():
        return f"Say who {who}: pick your name, or type it."
    return "" if len(name.strip()) <= LONGEST_NAME else "Your name is too long: shorten it."


def moment(on: date, at: time, reader: Reader) -> str:
    """A day and a time on the reader's clock, as entries have it."""
    return datetime.combine(on, at, tzinfo=reader.zone).astimezone(UTC).isoformat().replace("+00:00", "Z")


@dataclass(frozen=True, kw_only=True)
class Typed:
    """What every form of this page has.

    Attributes:
        vehicle_id: Whose.
        on, at: When, on the reader's clock.
        name: Of the one who enters.
        client_key: Under which it is entered once, however often it is sent.
        reader: Whose clock it is.
    """

    vehicle_id: str
    on: date
    at: time
    name: str
    client_key: str
    reader: Reader

    def _entry(self, kind: str, who: str, value: str | None, detail: Mapping[str, object]) -> Entry:
        told = {name: each for name, each in detail.items() if each not in (None, "")}
        return Entry(
            kind=kind, who=who, vehicle_id=self.vehicle_id, value=value, client_key=self.client_key,
            detail=json.dumps(told, ensure_ascii=False) if told else None,
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class TypedReading(Typed):
    """A reading typed by hand; a code or circumstance that was not read is None."""

    values: Mapping[str, float | None] = field(default_factory=dict)

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""
        if all(value is None for value in self.values.values()):
            return "Type at least one value."
        return name_problem(self.name, "read it")

    def entry(self, who: str) -> Entry:
        """The entry that it becomes."""
        return self._entry("reading", who, None, {"read_at": moment(self.on, self.at, self.reader), **self.values})


@dataclass(frozen=True, kw_only=True)
class WorkDone(Typed):
    """Work as it is typed; what is not said is empty or None."""

    kind: str = "repair"
    component: str = ""
    cause: str = ""
    bank: int | None = None
    cylinder: int | None = None
    part_number: str = ""
    complaint: str = ""
    note: str = ""
    reset_done: bool = False
    codes_cleared: bool = False

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""
        if self.kind in {"repair", "replacement", "cleaning", "adjustment"} and not self.component:
            return "Say which part was worked on."
        return name_problem(self.name, "did it")

    def entry(self, who: str) -> Entry:
        """The entry that it becomes: the visit is done."""
        said = {
            name: getattr(self, name).strip()
            for name in ("kind", "component", "cause", "part_number", "complaint", "note")
        }
        did = {name: True for name in ("reset_done", "codes_cleared") if getattr(self, name)}
        place = {"bank": self.bank, "cylinder": self.cylinder}
        return self._entry(
            "visit", who, "done", {"done_at": moment(self.on, self.at, self.reader), **said, **place, **did}
        )


@dataclass(frozen=True, kw_only=True)
class SignOff(Typed):
    """That a vehicle which was kept off the road may be driven again."""

    text: str = ""
    looked: bool = False

    @property
    def problem(self) -> str:
        """What is still to be said; empty: nothing."""
        if not self.looked:
            return "Tick that it was looked at and driven: a sign-off stands under your name."
        return name_problem(self.name, "signs off")

    def entry(self, who: str) -> Entry:
        """The entry that it becomes."""
        return self._entry("safe", who, "signed_off", {"text": self.text.strip()})
