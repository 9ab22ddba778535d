"""Enters what people hand over: checked by itself, beside the fleet, and beside the record; good ones are appended."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import duckdb

from pipelines.entries.checking import FLEET, refusal_of
from pipelines.entries.entry import Entry, Refusal
from pipelines.entries.kinds import answer_of, answers
from pipelines.entries.typed_rows import completed, refusal_of_row, remarks_on, table_of, typed_rows
from pipelines.errors import StoreError
from pipelines.intake.checking import Authority, authority_of
from pipelines.store.catalogue import catalogue_of
from pipelines.store.connection import frame_of
from pipelines.store.entries import Appended, append, entries_file
from pipelines.store.folder import Store
from pipelines.store.schema import columns_of, get_setting


@dataclass(frozen=True, kw_only=True)
class _Fleet:
    """What an entry is held against.

    Attributes:
        vehicles, depots: Those that the store knows; None: it cannot be read now, and nothing is held against it.
        subjects: Ids in published tables, by the table's name and column as `kinds.csv` has them.
        offered: Answers that each held batch offers, by its id.
        authority: Lowest and highest value a correction's module can hold, by code.
        time_zone: Of times without an offset.
    """

    vehicles: frozenset[str] | None = None
    depots: frozenset[str] = frozenset()
    subjects: Mapping[str, frozenset[str]] = field(default_factory=dict)
    offered: Mapping[str, str] = field(default_factory=dict)
    authority: Authority = field(default_factory=dict)
    time_zone: str = "UTC"


def enter(store: Store, entries: Sequence[Entry], *, entered_at: datetime | None = None) -> list[Appended]:
    """Enter what people hand over; what is acknowledged is on disk.

    A vehicle or depot that the store does not know is refused. A batch, check or finding that it does not know is
    taken: the next analysis may bring it.

    Args:
        store: Whose record.
        entries: As they came.
        entered_at: When they were entered; None: now.

    Returns:
        What became of each, in their order.

    Raises:
        StoreError: there is no store, or the record is damaged or cannot be written.
    """
    fleet = _fleet_of(store, entries)
    checked = [_checked(entry, fleet, entered_at or datetime.now(UTC)) for entry in entries]
    taken = iter(append(store, [entry for entry, _, refusal in checked if refusal is None], entered_at=entered_at))
    return [
        Appended(refusal=refusal) if refusal is not None else replace(next(taken), remarks=tuple(remarks))
        for _, remarks, refusal in checked
    ]


def _checked(entry: Entry, fleet: _Fleet, entered_at: datetime) -> tuple[Entry, list[str], Refusal | None]:
    """The entry as it would be written, what is unusual about it, and why it is refused (None: it is not)."""
    try:
        entry = completed(entry, time_zone=fleet.time_zone, entered_at=entered_at)
    except ValueError as error:
        return entry, [], Refusal(column="detail", reason=str(error))
    refusal = refusal_of(entry) or (None if entry.only_withdraws else _unknown_to(fleet, entry))
    remarks = [] if entry.only_withdraws else _not_known_yet(fleet, entry)
    table = table_of(entry)
    if refusal is not None or not table:
        return entry, remarks, refusal
    typed = typed_rows([entry.vehicle_id], [entry.detail], table, authority=fleet.authority)
    return entry, remarks + remarks_on(typed), refusal_of_row(entry, typed)


def _unknown_to(fleet: _Fleet, entry: Entry) -> Refusal | None:
    if fleet.vehicles is None:
        return None
    if entry.vehicle_id is not None and entry.vehicle_id not in fleet.vehicles:
        return Refusal(column="vehicle_id", reason=f"no vehicle '{entry.vehicle_id}' in this store")
    if entry.kind == "note" and entry.subject is not None and entry.subject not in {FLEET, *fleet.depots}:
        hint = "; it is a vehicle: name it in vehicle_id" if entry.subject in fleet.vehicles else ""
        return Refusal(column="subject", reason=f"no depot '{entry.subject}' in this store, nor '{FLEET}'{hint}")
    offered = fleet.offered.get(entry.subject or "", "").split("|") if entry.kind == "held" else []
    if any(offered) and entry.value not in offered:
        reason = f"'{entry.value}' is no answer to batch {entry.subject}: it is one of {', '.join(offered)}"
        return Refusal(column="value", reason=reason)
    return None


def _not_known_yet(fleet: _Fleet, entry: Entry) -> list[str]:
    """What the next analysis may bring, and does not stop the entry."""
    if fleet.vehicles is None:
        return ["the state of the store cannot be read now: vehicle and depot were not checked"]
    answer = answer_of(entry.kind or "", entry.value)
    if answer is None or not answer.subject_in or entry.subject in fleet.subjects.get(answer.subject_in, ()):
        return []
    return [f"subject: '{entry.subject}' is not in {answer.subject_in.split('.')[0]} yet; it counts once it is"]


def _fleet_of(store: Store, entries: Sequence[Entry]) -> _Fleet:
    """What the store knows now; a state that is lost or damaged does not stop anyone from entering."""
    named = {entry.vehicle_id for entry in entries if entry.vehicle_id is not None}
    try:
        file = store.state_file(store.version())
        found = file.stat() if file.exists() else None
        fleet = _kept_fleet(store.path.resolve(), found and (found.st_ino, found.st_mtime_ns))
        vehicles = fleet.vehicles or frozenset()
        if strange := sorted(named - vehicles):
            with store.reading() as connection:
                return replace(fleet, vehicles=vehicles | _read_without_a_name(connection, strange))
    except StoreError:
        if not (entries_file(store).exists() or any(store.path.glob("state-*"))):
            raise
        return _Fleet()
    return fleet


@lru_cache(maxsize=4)
def _kept_fleet(path: Path, state: tuple[int, int] | None) -> _Fleet:  # noqa: ARG001 - another state, another fleet
    """What a committed state knows, read once: to open it takes as long as to enter."""
    with Store(path).reading() as connection:
        return _read_fleet(connection)


def _read_fleet(connection: duckdb.DuckDBPyConnection) -> _Fleet:
    known = frame_of(connection, "SELECT vehicle_id, depot FROM vehicles")
    places = {answer.subject_in for of_kind in answers().values() for answer in of_kind.values() if answer.subject_in}
    return _Fleet(
        vehicles=frozenset(known["vehicle_id"]),
        depots=frozenset(known["depot"].drop_nulls()),
        subjects={place: _ids_in(connection, *place.split(".")) for place in places},
        offered=_offered(connection),
        authority=authority_of(catalogue_of(connection)),
        time_zone=get_setting(connection, "time_zone") or "UTC",
    )


def _ids_in(connection: duckdb.DuckDBPyConnection, table: str, column: str) -> frozenset[str]:
    if column not in columns_of(connection, table, "published"):
        return frozenset()
    # One row per id that any kept state has.
    return frozenset(frame_of(connection, f"SELECT DISTINCT {column} FROM published.{table}")[column].drop_nulls())


def _offered(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Answers of each batch as the newest analysis that had it says, joined by `|`."""
    if "answers" not in columns_of(connection, "held_reading", "published"):
        return {}
    # One row per batch that any kept state has.
    newest = "SELECT batch_id, arg_max(answers, as_of) AS answers FROM published.held_reading GROUP BY batch_id"
    return dict(frame_of(connection, newest).iter_rows())


def _read_without_a_name(connection: duckdb.DuckDBPyConnection, vehicle_ids: list[str]) -> frozenset[str]:
    """Of these vehicles, those that were read although no row of `vehicles` names them yet."""
    # One row per vehicle.
    read = frame_of(
        connection,
        "SELECT vehicle_id FROM snapshots SEMI JOIN (SELECT unnest($ids::VARCHAR[]) AS vehicle_id) USING (vehicle_id) "
        "UNION SELECT vehicle_id FROM readings SEMI JOIN (SELECT unnest($ids::VARCHAR[]) AS vehicle_id) "
        "USING (vehicle_id)",
        ids=vehicle_ids,
    )
    return frozenset(read["vehicle_id"])
