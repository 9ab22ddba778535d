"""Alone in reading and writing what people enter, for screens; cached by the newest entry, so each counts at once."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Protocol

import polars as pl
import streamlit as st

from dashboard import published, signed_in
from dashboard.roles import DeniedError
from dashboard.views.checks import ChecksNow, checks_now
from dashboard.views.notes import notes_of, waiting_sentence
from dashboard.views.visits import visit_sentence
from dashboard.views.wording import Reader
from pipelines.catalogue.tables import entry_columns
from pipelines.entries.entry import Entry
from pipelines.entries.standing import counting, newest_of_each
from pipelines.errors import LeewayError, StoreError
from pipelines.store import entries as record
from pipelines.store import fleet_reads
from pipelines.store.entering import enter as enter_all
from pipelines.store.pointer import lies_there

NAME = "name of the reader"  # in the session, so that it is typed once
_newest_read: dict[Path, str] = {}  # by the store's folder: entry_id of the newest entry when it was read last
NO_ENTRIES = pl.DataFrame(schema=entry_columns().schema)


@dataclass(frozen=True, kw_only=True)
class Entered:
    """The record as it is now.

    Attributes:
        everything: All entries, oldest first, on vehicles that the reader may see.
        counts: Those that count: neither withdrawn nor a mere withdrawal.
        people: Names by key.
        newest: entry_id of the newest entry; what is built from the record is kept by it.
        problem: Why the record cannot be read, in a line; empty: it can.
    """

    everything: pl.DataFrame = field(default_factory=lambda: NO_ENTRIES)
    counts: pl.DataFrame = field(default_factory=lambda: NO_ENTRIES)
    people: dict[str, str] = field(default_factory=dict)
    newest: str = ""
    problem: str = ""


def now() -> Entered:
    """The record as it is now, or was read last; one that cannot be read hides nothing that was published."""
    place = published.store()
    try:
        newest = record.last_entry(place) if lies_there(place.path) else _newest_read.get(place.path, "")
        _newest_read[place.path] = newest
        return published.kept("entered", newest, build=lambda: _read(newest)) if newest else Entered()
    except StoreError as error:
        return Entered(problem=str(error))


def _read(newest: str) -> Entered:
    everything = record.read_entries(published.store())
    return Entered(
        everything=everything, counts=counting(everything), people=record.people(published.store()), newest=newest
    )


def notes() -> pl.DataFrame:
    """All notes: `at, about, text, who, id`, newest first."""
    known = now()
    return published.kept(
        "notes",
        known.newest,
        build=lambda: notes_of(fleet_reads.fleet_table(published.store(), "notes"), known.counts, known.people),
    )


def waiting(as_of: datetime) -> str:
    """A sentence on what was entered since the analysis of that time and changes the next; empty: nothing."""
    return waiting_sentence(now().everything, _counted(as_of))


def visit(vehicle_id: str, reader: Reader) -> str:
    """What people decided about a vehicle's visit, as a sentence; empty: nothing that still holds."""
    known = now()
    counted = set(known.everything["entry_id"].head(_counted(reader.as_of)))
    return visit_sentence(vehicle_id, known.counts, known.people, reader, counted=counted)


def checks(vehicle_id: str, as_of: datetime) -> ChecksNow:
    """The causes of a vehicle with all results of checks, those of after the analysis too, and what to check next."""
    known = now()

    def build() -> ChecksNow:
        counted = known.everything["entry_id"].head(_counted(as_of)).to_list()
        return checks_now(vehicle_id, published.table("cause_ranking", as_of), known.counts, counted)

    return published.kept("checks", vehicle_id, as_of, known.newest, build=build)


def ranking(as_of: datetime) -> pl.DataFrame:
    """The table `cause_ranking` with what checks found since: as the vehicles' own pages have it."""
    published_ranking, known = published.table("cause_ranking", as_of), now()
    checked = known.everything.slice(_counted(as_of)).filter(pl.col("kind") == "check")
    vehicles = checked["vehicle_id"].drop_nulls().unique().sort().to_list()
    withdrawn = known.everything.slice(_counted(as_of)).filter(pl.col("withdraws").is_not_null())
    if withdrawn.height:
        of_all = known.everything.filter(pl.col("kind") == "check")
        taken = of_all.join(withdrawn.select(entry_id="withdraws"), on="entry_id", how="semi")
        vehicles = sorted({*vehicles, *taken["vehicle_id"].drop_nulls()})
    if not vehicles:
        return published_ranking
    anew = [checks(vehicle, as_of).ranking.select(published_ranking.columns) for vehicle in vehicles]
    return pl.concat([published_ranking.filter(~pl.col("vehicle_id").is_in(vehicles)), *anew])


def visits(reader: Reader) -> pl.DataFrame:
    """What was said of visits and holds: vehicle_id, decision (that sentence) and value (a word of the contract)."""
    said = newest_of_each(now().counts.filter(pl.col("kind") == "visit"), "vehicle_id").sort("vehicle_id")
    words = [visit(vehicle, reader) for vehicle in said["vehicle_id"]]
    named = said.select("vehicle_id", "value", decision=pl.Series(words, dtype=pl.String))
    return named.filter(pl.col("decision") != "")


def _counted(as_of: datetime) -> int:
    """How many of the entries that the reader sees the analysis of that time had looked at."""
    counted = published.table("entries_counted", as_of)
    whole = int(counted["entries"][0]) if counted.height else 0
    if published.store().depots is None:
        return whole
    newest = record.newest_of_first(published.store(), whole)
    return int((now().everything["entry_id"] <= newest).sum())


class Typed(Protocol):
    """What somebody typed into a form, or clicked."""

    @property
    def name(self) -> str:
        """Who."""

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""

    def entry(self, who: str) -> Entry:
        """The entry that it becomes; `who` is a key."""


def enter(form: str, typed: Typed) -> str:
    """Enter what was typed into a form, under the name that is then remembered in the session.

    Returns:
        Why it could not be, in a line; empty: it is on disk.
    """
    if typed.problem:
        return typed.problem
    return "\n".join(enter_several(form, [typed]))


def enter_several(form: str, typed: Sequence[Typed]) -> list[str]:
    """Enter what was typed into the rows of a table, all under one name, remembered in the session.

    Returns:
        Why some could not be, a line each, in the order of the rows; empty: all are on disk.
    """
    name = signed_in.known_as() or typed[0].name
    st.session_state[NAME] = name
    try:
        who = record.key_of_person(published.store(), name)
        entries = [each.entry(who) for each in typed]
        for entry in entries:
            _refuse_others(entry)
        for entry in entries:
            signed_in.did("entered", " ".join(filter(None, (entry.kind, entry.value, entry.vehicle_id, entry.subject))))
        became = enter_all(published.store(), entries)
    except LeewayError as error:
        return [str(error)]
    refused = [str(one.refusal) for one in became if one.refusal is not None]
    if not refused:
        _forget_key(form)
    return refused


def _refuse_others(entry: Entry) -> None:
    """Refuse what the reader may not enter, or enter about this.

    Raises:
        DeniedError: it is not for them, or about what they do not see.
    """
    kind = entry.kind
    if entry.withdraws is not None:
        withdrawn = now().everything.filter(pl.col("entry_id") == entry.withdraws)["kind"].to_list()
        if not withdrawn:
            raise DeniedError(f"'{entry.withdraws}' is no entry that is seen here. Nothing was entered.")
        kind = kind or withdrawn[0]
    if kind is None:
        return  # is refused for that reason
    signed_in.must(kind)
    depots = published.store().depots
    if depots is None:
        return
    about = entry.vehicle_id or entry.subject
    own = {*depots, *published.vehicles()["vehicle_id"], *published.newest_table("held_reading")["batch_id"]}
    own |= set(published.newest_table("recurring_issue")["issue_id"]) if kind == "finding" else set()
    if about is not None and (entry.vehicle_id or kind in {"note", "held", "finding"}) and about not in own:
        raise DeniedError(f"'{about}' is not of {', '.join(depots)}. Nothing was entered.")


def client_key(form: str) -> str:
    """A key for what is typed into a form now: a click that comes twice enters once."""
    name = f"key of {form}"
    if name not in st.session_state:
        st.session_state[name] = uuid.uuid4().hex
    return str(st.session_state[name])


def _forget_key(form: str) -> None:
    """What is typed next is another entry."""
    st.session_state.pop(f"key of {form}", None)
