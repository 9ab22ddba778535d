"""Notes on the time axis, and what was entered since the analysis that is shown; frames and entries in, words out."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time

import polars as pl

from dashboard.views.wording import Reader, count
from pipelines.entries.entry import Entry
from pipelines.intake.casting import Reading, cast

FLEET = "fleet"
NOTE = pl.Schema(
    {"at": pl.Datetime("us", "UTC"), "about": pl.String(), "text": pl.String(), "who": pl.String(), "id": pl.String()}
)
BY_DROP = "a drop"
LONGEST_NAME = 80
CHANGES_TABLES = ("held", "reading")  # kinds that change what an analysis computes; of visits, those that are done
OF_PAGES = ("view", "list")  # kinds that only pages read


@dataclass(frozen=True, kw_only=True)
class About:
    """What a note is about: one vehicle, a depot, or (neither) the whole fleet."""

    vehicle_id: str = ""
    depot: str = ""

    @property
    def name(self) -> str:
        """As the drop table `notes` has it."""
        return self.vehicle_id or self.depot or FLEET

    @property
    def label(self) -> str:
        """In words."""
        if self.vehicle_id:
            return f"vehicle {self.vehicle_id}"
        return f"depot {self.depot}" if self.depot else "the whole fleet"


@dataclass(frozen=True, kw_only=True)
class Note:
    """A note as it is typed into a form.

    Attributes:
        text: What it says.
        about: What it is about.
        on: The day it stands at.
        name: Of the one who writes.
        client_key: Under which it is entered once, however often it is sent.
        reader: Whose day it is.
    """

    text: str
    about: About
    on: date
    name: str
    client_key: str
    reader: Reader

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""
        if not self.text.strip():
            return "The note is empty: say what happened."
        if not self.name.strip():
            return "Say who writes: pick your name, or type it."
        return "" if len(self.name.strip()) <= LONGEST_NAME else "Your name is too long: shorten it."

    def entry(self, who: str) -> Entry:
        """The entry; on the day of the state that is shown it stands at that state's time, else at noon."""
        shown = self.reader.local(self.reader.as_of)
        noon = datetime.combine(self.on, time(12), tzinfo=self.reader.zone)
        at = shown if self.on == shown.date() else noon
        return Entry(
            kind="note",
            who=who,
            vehicle_id=self.about.vehicle_id or None,
            subject=None if self.about.vehicle_id else self.about.name,
            value=self.text.strip(),
            detail=json.dumps({"at": at.astimezone(UTC).isoformat().replace("+00:00", "Z")}),
            client_key=self.client_key,
        )


def notes_of(dropped: pl.DataFrame, entries: pl.DataFrame, people: dict[str, str]) -> pl.DataFrame:
    """All notes, of drops and entered ones: `at, about, text, who, id` (of the entry; empty: of a drop), newest first.

    Args:
        dropped: Rows of the drop table `notes`.
        entries: Those that count.
        people: Names by key.
    """
    written = entries.filter(pl.col("kind") == "note")
    entered = written.select(
        cast(written["detail"].str.json_path_match("$.at"), "time", Reading()).alias("at"),
        about=pl.coalesce("vehicle_id", "subject"),
        text=pl.col("value"),
        who=pl.col("who").replace_strict(people, default=pl.col("who"), return_dtype=pl.String),
        id=pl.col("entry_id"),
    )
    of_drops = dropped.select("at", "about", "text", who=pl.lit(BY_DROP), id=pl.lit("")).drop_nulls("text")
    return pl.concat([entered.cast(NOTE), of_drops.cast(NOTE)]).sort("at", "id", descending=True)


def with_notes(events: pl.DataFrame, notes: pl.DataFrame, *, about: Sequence[str], until: datetime) -> pl.DataFrame:
    """What happened to one vehicle with the notes about it, its depot and the fleet, by time."""
    near = notes.filter(pl.col("about").is_in(about), pl.col("at") <= until)
    noted = near.select("at", kind=pl.lit("note"), text="text")
    return pl.concat([events, noted], how="diagonal").sort("at", "kind", "text")


def waiting_sentence(record: pl.DataFrame, counted: int) -> str:
    """What was entered after an analysis and changes what the next one computes; empty where nothing was.

    Args:
        record: All entries, oldest first.
        counted: How many of them the analysis looked at.
    """
    later = record.slice(counted)
    changes = (
        pl.col("kind").is_in(CHANGES_TABLES)
        | ((pl.col("kind") == "visit") & (pl.col("value") == "done"))
        | (pl.col("withdraws").is_not_null() & ~pl.col("kind").is_in(OF_PAGES))
    )
    waiting = later.filter(changes).height
    if not waiting:
        return ""
    words = "it counts" if waiting == 1 else "they count"
    return f"{count(waiting, 'entry', 'entries')} made since then: {words} with the next analysis."
