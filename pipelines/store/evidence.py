"""Reads what was known at a time out of the store, as the frames that the stages work on; computes nothing else."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime

import duckdb
import polars as pl

from pipelines.catalogue.corrections import built_in_components, built_in_corrections, overridden
from pipelines.catalogue.tables import drop_tables
from pipelines.entries.overlays import with_entries
from pipelines.entries.standing import counting, newest_of_each
from pipelines.errors import StoreError
from pipelines.handover import Evidence, HeldReadings
from pipelines.held.another_vehicle import since_begun
from pipelines.held.judged import Judged
from pipelines.held.readings import Readings
from pipelines.held.stage import DECISIONS, LOADS, Withheld, as_withheld, with_cells, withhold
from pipelines.store.asking import IN_LIST, Asking
from pipelines.store.catalogue import catalogue_of
from pipelines.store.connection import frame_of, one_row
from pipelines.store.entries import read_entries
from pipelines.store.folder import Store
from pipelines.store.held_answers import answers_beforehand
from pipelines.store.moves import as_of_then, moves
from pipelines.store.newest import newest_of_all
from pipelines.store.readers import once
from pipelines.store.schema import columns_of


def read_evidence(
    store: Store,
    *,
    as_of: datetime | None = None,
    known_at: datetime | None = None,
    vehicle_ids: Iterable[str] | None = None,
    judged: Judged | None = None,
) -> Evidence:
    """Everything known at `as_of`; rows of vehicles that no row of `vehicles` names yet stay out.

    A retirement or release later than `as_of` is not known then. What very likely is not what it says is held and stays
    out (stage `held`). A correction's value further beyond its authority than the authority is wide cannot come from a
    module and counts as not read.

    Args:
        store: Where from.
        as_of: Rows read, done or entered later stay out; None: the newest reading, fault, work or entry in the store.
        known_at: Rows loaded or entered later stay out, and rows replaced or withdrawn later stand as they were; None:
            as they are now.
        vehicle_ids: Only these vehicles; None: all. What is held is judged with all vehicles; of some, it is what the
            newest analysis as of that time published.
        judged: What was judged of all vehicles as of that time; None: it is judged, or read, here.

    Raises:
        StoreError: there is no store, or no reading up to that time.
    """
    if judged:
        held: Held = lambda asked: _as_withheld(asked, judged)  # noqa: E731
    else:
        held = _published_withheld if vehicle_ids is not None else lambda asked: withheld(asked, asked.readings)
    some = None if vehicle_ids is None else sorted(set(vehicle_ids))
    return evidence_of(store, held, as_of=as_of, known_at=known_at, vehicle_ids=some, judged=judged)[0]


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What is read of the store before its readings are.

    tables: Of the drop but its readings and faults. begun: Of those vehicles whose number was another one's before.
    record: What people entered.
    """

    asking: Asking
    as_of: datetime
    catalogue: pl.DataFrame
    tables: dict[str, pl.DataFrame]
    faults: pl.DataFrame
    begun: pl.DataFrame
    record: pl.DataFrame

    def readings(self, as_of: datetime | None) -> Readings:
        """Of all vehicles asked about."""
        return self.asking.readings(self.catalogue, as_of, self.tables["vehicles"], self.begun)


Held = Callable[[Asked], Withheld]


def evidence_of(
    store: Store,
    held: Held,
    *,
    as_of: datetime | None,
    known_at: datetime | None,
    vehicle_ids: list[str] | None,
    judged: Judged | None,
) -> tuple[Evidence, Judged]:
    """As `read_evidence`, and what was judged.

    Args:
        store: As there.
        held: Reads the readings, and takes out what is held.
        as_of: As there.
        known_at: As there.
        vehicle_ids: As there.
        judged: As there.
    """
    record = read_entries(store)
    with store.reading() as connection:
        as_of = as_of or newest_of_all(connection, record)
        if as_of is None:
            raise StoreError(
                f"{store.path}: holds no reading of a known vehicle yet. "
                "Load vehicles and snapshots first: leeway load."
            )
        asking = Asking(connection, known_at, vehicle_ids)
        asking.leave_out_unknown()
        tables = {name: asking.rows(name, as_of) for name in drop_tables() if name not in ("snapshots", "readings")}
        catalogue = overridden(built_in_corrections(), tables.pop("corrections"))
        begun = judged.begun if judged else asking.begun_anew(tables["vehicles"])
        tables["work"] = since_begun(tables["work"], begun, "done_at")
        faults = since_begun(tables.pop("faults"), begun, "read_at")
        moved = moves(connection, known_at=known_at)
        known = held(
            Asked(
                asking=asking, as_of=as_of, catalogue=catalogue, tables=tables, faults=faults, begun=begun,
                record=record,
            )
        )  # fmt: skip
        entries = counting(record, as_of=as_of, known_at=known_at)
        entries = entries.with_columns(seen_to=_seen_when_entered(connection, entries, as_of))
    vehicles = tables.pop("vehicles").with_columns(_known(pl.col("retired_on"), as_of))
    vehicles = as_of_then(vehicles, moved, as_of)
    calibrations = tables.pop("calibrations").with_columns(_known(pl.col("released_on"), as_of))
    components = overridden(built_in_components(), tables.pop("components"))
    from_drops = Evidence(
        as_of=as_of,
        corrections=catalogue,
        vehicles=vehicles,
        moves=moved,
        snapshots=_read_and_within_reach(_within_range(known.snapshots), catalogue),
        faults=known.faults,
        held=known.held,
        begun_anew=begun.filter(pl.col("at") <= as_of).join(
            vehicles, on="vehicle_id", how="semi", maintain_order="left"
        ),
        calibrations=calibrations,
        components=components,
        entries_read=record.height,
        whole=None,
        **tables,
    )
    evidence = replace(with_entries(from_drops, entries), entries=entries)
    if evidence.snapshots is not from_drops.snapshots:
        read = [code for code in catalogue["code"] if code in evidence.snapshots.columns]
        evidence = replace(evidence, snapshots=_within_reach(evidence.snapshots, catalogue, read))
    return evidence, Judged(held=known.held, begun=begun)


def entries_by_now(store: Store, as_of: datetime) -> pl.DataFrame:
    """What people entered and counts now, as in `Evidence.entries`, beside the readings that were taken by `as_of`."""
    entries = counting(read_entries(store))
    with store.reading() as connection:
        return entries.with_columns(seen_to=_seen_when_entered(connection, entries, as_of))


def _seen_when_entered(connection: duckdb.DuckDBPyConnection, entries: pl.DataFrame, as_of: datetime) -> pl.Series:
    """Of each sign-off, the newest reading of its vehicle that was loaded by then: it speaks of what was known.

    Null for all other entries. The clock of this machine and those of the readings may differ by years.
    """
    newest = (
        "SELECT max(read_at) FROM (SELECT vehicle_id, read_at, load_id FROM snapshots UNION ALL "
        "SELECT vehicle_id, read_at, load_id FROM readings UNION ALL SELECT vehicle_id, read_at, load_id FROM faults) "
        "JOIN loads USING (load_id) WHERE vehicle_id = ? AND loaded_at <= ? AND read_at <= ?"
    )
    seen = [
        one_row(connection, newest, [vehicle_id, entered_at, as_of])[0]
        if kind == "safe" and vehicle_id is not None
        else None
        for kind, vehicle_id, entered_at in entries.select("kind", "vehicle_id", "entered_at").iter_rows()
    ]
    return pl.Series("seen_to", seen, dtype=pl.Datetime("us", "UTC"))


def withheld(asked: Asked, readings: Callable[[datetime | None], Readings]) -> Withheld:
    """All readings and codes without what is held; what was decided is looked for in later files too.

    Args:
        asked: Of all vehicles.
        readings: Those up to a time, None: all that are known.
    """
    asking, as_of = asked.asking, asked.as_of
    said = counting(asked.record, known_at=asking.known_at).filter(pl.col("kind") == "held")
    newest = newest_of_each(said, "subject")
    decisions = newest.select(batch_id="subject", decision="value", decided_at="entered_at").cast(DECISIONS)
    both = ("snapshots", "readings")
    is_later = decisions.height and any(asking.how_many(each, None) > asking.how_many(each, as_of) for each in both)
    return withhold(
        readings(as_of),
        asked.faults,
        asked.tables["work"],
        loads=asking.loads(),
        decisions=decisions,
        standing=answers_beforehand(asking.connection),
        whole=readings(None) if is_later else None,
    )


def _published_withheld(asked: Asked) -> Withheld:
    """The same of some vehicles, as an analysis published it; of one that published nothing, as they came."""
    connection, vehicle_ids = asked.asking.connection, asked.asking.vehicle_ids
    cells = HeldReadings.none().cells
    if columns_of(connection, "held_cell", "published"):
        columns = ", ".join(cells.columns)
        theirs = f"SELECT {columns} FROM published.held_cell WHERE as_of = $as_of AND vehicle_id {IN_LIST}"
        cells = frame_of(connection, theirs, as_of=asked.as_of, vehicle_ids=vehicle_ids).cast(cells.schema)
    return with_cells(asked.readings(asked.as_of), asked.faults, cells)


def _as_withheld(asked: Asked, judged: Judged) -> Withheld:
    """Readings and codes of some vehicles, as they were judged among all; from other vehicles those that are theirs."""
    ours = asked.tables["vehicles"]["vehicle_id"]
    lenders = judged.lenders(ours)
    both = asked.asking.of(pl.concat([ours, lenders]).unique().sort().to_list()) if len(lenders) else asked.asking
    known = both.rows("vehicles", asked.as_of) if len(lenders) else asked.tables["vehicles"]
    faults = since_begun(both.rows("faults", asked.as_of), judged.begun, "read_at") if len(lenders) else asked.faults
    readings = both.readings(asked.catalogue, asked.as_of, known, judged.begun)
    return as_withheld(readings, faults, judged.held, ours.to_list())


def snapshots_of(connection: duckdb.DuckDBPyConnection, vehicle_id: str) -> pl.DataFrame:
    """One vehicle's snapshots with the corrections that it ever read, by time, whether or not `vehicles` names it."""
    catalogue = once(connection, catalogue_of)
    came = Asking(connection, None, [vehicle_id]).snapshots(catalogue, None).drop(LOADS)
    return _read_and_within_reach(came, catalogue)


def _known(dates: pl.Expr, as_of: datetime) -> pl.Expr:
    return pl.when(dates <= as_of.date()).then(dates)


def _read_and_within_reach(snapshots: pl.DataFrame, catalogue: pl.DataFrame) -> pl.DataFrame:
    """The contract's columns and the corrections that were ever read, each within its reach."""
    contract = drop_tables()["snapshots"].schema.names()
    codes = set(catalogue["code"])
    filled = snapshots.select(name for name in snapshots.columns if name in codes).count()
    read = [name for name in filled.columns if filled[name][0]]
    return _within_reach(snapshots.select(*contract, *read), catalogue, read)


def _within_range(snapshots: pl.DataFrame) -> pl.DataFrame:
    """Circumstances null out of the contract's range: what a unit explained loaded and was held, or kept as it is."""
    return snapshots.with_columns(
        pl.when(pl.col(column.name).is_between(column.low, column.high)).then(pl.col(column.name))
        for column in drop_tables()["snapshots"].columns
        if column.low is not None and column.high is not None
    )


def _within_reach(snapshots: pl.DataFrame, catalogue: pl.DataFrame, codes: list[str]) -> pl.DataFrame:
    """Each correction null where a value is further beyond its authority than the authority is wide."""
    width = pl.col("high_limit") - pl.col("low_limit")
    reach = catalogue.select("code", low=pl.col("low_limit") - width, high=pl.col("high_limit") + width).drop_nulls()
    limits = {code: (low, high) for code, low, high in reach.iter_rows()}
    lowest, highest = snapshots.select(pl.col(codes).min()), snapshots.select(pl.col(codes).max())
    beyond = [
        code
        for code in codes
        if code in limits and not (limits[code][0] <= lowest[code][0] and highest[code][0] <= limits[code][1])
    ]
    return snapshots.with_columns(
        pl.when(pl.col(code).is_between(*limits[code])).then(pl.col(code)).alias(code) for code in beyond
    )
