"""Reads what was known at a time out of the store, as the frames that the stages work on; computes nothing else."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

import duckdb
import polars as pl

from pipelines.catalogue.corrections import built_in_components, built_in_corrections, overridden
from pipelines.catalogue.tables import Table, drop_tables
from pipelines.entries.overlays import with_entries
from pipelines.entries.standing import counting, newest_of_each
from pipelines.errors import StoreError
from pipelines.handover import Evidence, HeldReadings
from pipelines.held.another_vehicle import BEGUN_ANEW, begun_anew, since_begun
from pipelines.held.readings import Readings
from pipelines.held.stage import DECISIONS, Withheld, as_withheld, with_cells, withhold
from pipelines.store.catalogue import catalogue_of
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.entries import read_entries
from pipelines.store.folder import Store
from pipelines.store.held_answers import answers_beforehand
from pipelines.store.history import KNOWN, LATER, STANDING, followed, table_then
from pipelines.store.moves import as_of_then, moves
from pipelines.store.newest import newest_of_all
from pipelines.store.readers import once, rows_of_vehicles
from pipelines.store.schema import columns_of, columns_of_all, filled_tables

TIME_OF = {"snapshots": "read_at", "readings": "read_at", "faults": "read_at", "work": "done_at", "notes": "at"}
OF_VEHICLES = {"snapshots", "readings", "faults", "work", "availability", "due"}
KEY = ["vehicle_id", "read_at"]
IN_LIST = "IN (SELECT unnest($vehicle_ids::VARCHAR[]))"


def read_evidence(
    store: Store,
    *,
    as_of: datetime | None = None,
    known_at: datetime | None = None,
    vehicle_ids: Iterable[str] | None = None,
    held: HeldReadings | None = None,
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
        held: What was judged of all vehicles as of that time; None: it is judged, or read, here.

    Raises:
        StoreError: there is no store, or no reading up to that time.
    """
    record = read_entries(store)
    with store.reading() as connection:
        as_of = as_of or newest_of_all(connection, record)
        if as_of is None:
            raise StoreError(
                f"{store.path}: holds no reading of a known vehicle yet. "
                "Load vehicles and snapshots first: leeway load."
            )
        asking = _Asking(connection, known_at, None if vehicle_ids is None else sorted(set(vehicle_ids)))
        asking.leave_out_unknown()
        tables = {name: asking.rows(name, as_of) for name in drop_tables() if name not in ("snapshots", "readings")}
        catalogue = overridden(built_in_corrections(), tables.pop("corrections"))
        begun = asking.begun_anew(tables["vehicles"])
        tables["work"] = since_begun(tables["work"], begun, "done_at")
        faults = since_begun(tables.pop("faults"), begun, "read_at")
        moved = moves(connection, known_at=known_at)
        if vehicle_ids is None:
            known = _withheld(asking, catalogue, {**tables, "faults": faults}, record, as_of)
        elif held is not None:
            known = _as_withheld(asking, catalogue, tables["vehicles"], held, as_of)
        else:
            known = _published_withheld(asking, catalogue, tables["vehicles"], faults, as_of)
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
        begun_anew=begun.filter(pl.col("at") <= as_of),
        calibrations=calibrations,
        components=components,
        entries_read=record.height,
        whole=None,
        **tables,
    )
    evidence = replace(with_entries(from_drops, entries), entries=entries)
    if evidence.snapshots is from_drops.snapshots:
        return evidence
    read = [code for code in catalogue["code"] if code in evidence.snapshots.columns]
    return replace(evidence, snapshots=_within_reach(evidence.snapshots, catalogue, read))


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


def _withheld(
    asking: "_Asking", catalogue: pl.DataFrame, tables: dict[str, pl.DataFrame], record: pl.DataFrame, as_of: datetime,
) -> Withheld:  # fmt: skip
    """All readings and codes without what is held; what was decided is looked for in later files too."""
    said = counting(record, known_at=asking.known_at).filter(pl.col("kind") == "held")
    newest = newest_of_each(said, "subject")
    decisions = newest.select(batch_id="subject", decision="value", decided_at="entered_at").cast(DECISIONS)
    came = asking.readings(catalogue, as_of, tables["vehicles"])
    later = asking.readings(catalogue, None, tables["vehicles"]) if decisions.height else came
    return withhold(
        came,
        tables["faults"],
        tables["work"],
        loads=asking.loads(),
        decisions=decisions,
        standing=answers_beforehand(asking.connection),
        whole=later if later.rows > came.rows else None,
    )


def _published_withheld(
    asking: "_Asking", catalogue: pl.DataFrame, vehicles: pl.DataFrame, faults: pl.DataFrame, as_of: datetime
) -> Withheld:
    """The same of some vehicles, as an analysis published it; of one that published nothing, as they came."""
    connection = asking.connection
    cells = HeldReadings.none().cells
    if columns_of(connection, "held_cell", "published"):
        columns = ", ".join(cells.columns)
        theirs = f"SELECT {columns} FROM published.held_cell WHERE as_of = $as_of AND vehicle_id {IN_LIST}"
        cells = frame_of(connection, theirs, as_of=as_of, vehicle_ids=asking.vehicle_ids).cast(cells.schema)
    return with_cells(asking.readings(catalogue, as_of, vehicles), faults, cells)


def _as_withheld(
    asking: "_Asking", catalogue: pl.DataFrame, vehicles: pl.DataFrame, held: HeldReadings, as_of: datetime
) -> Withheld:
    """Readings and codes of some vehicles, as they were judged among all; from other vehicles those that are theirs."""
    ours = asking.vehicle_ids or []
    lent = held.cells.filter(pl.col("of").is_in(ours))["vehicle_id"].to_list()
    both = _Asking(asking.connection, asking.known_at, sorted({*ours, *lent}))
    known = both.rows("vehicles", as_of)
    faults = since_begun(both.rows("faults", as_of), both.begun_anew(known), "read_at")
    return as_withheld(both.readings(catalogue, as_of, known), faults, held, vehicles["vehicle_id"].to_list())


def snapshots_of(connection: duckdb.DuckDBPyConnection, vehicle_id: str) -> pl.DataFrame:
    """One vehicle's snapshots with the corrections that it ever read, by time, whether or not `vehicles` names it."""
    return _Asking(connection, None, [vehicle_id]).snapshots(once(connection, catalogue_of), None)


def _known(dates: pl.Expr, as_of: datetime) -> pl.Expr:
    return pl.when(dates <= as_of.date()).then(dates)


class _Asking:
    """Questions to one state of the store."""

    def __init__(
        self, connection: duckdb.DuckDBPyConnection, known_at: datetime | None, vehicle_ids: list[str] | None
    ) -> None:
        self.connection = connection
        self.known_at = known_at
        self.vehicle_ids = vehicle_ids
        self.columns = once(connection, columns_of_all)
        self.filled = once(connection, filled_tables)
        self.withdrawn_since = False
        if known_at is not None:
            self.withdrawn_since = frame_of(connection, LATER, known_at=known_at).item() > 0

    def leave_out_unknown(self) -> None:
        """Ask only about those of the vehicles that a row of `vehicles` names."""
        if self.vehicle_ids is not None:
            parameters: dict[str, object] = {"vehicle_ids": self.vehicle_ids}
            if self.known_at is not None:
                parameters["known_at"] = self.known_at
            known = f"SELECT DISTINCT vehicle_id FROM ({self._vehicles_known()}) WHERE vehicle_id {IN_LIST} ORDER BY 1"
            self.vehicle_ids = frame_of(self.connection, known, **parameters)["vehicle_id"].to_list()

    def rows(self, table: str, as_of: datetime) -> pl.DataFrame:
        """Rows of a raw table with all contract columns (and freeze frames), sorted by its key."""
        shape = drop_tables()[table]
        if table not in self.filled and f"{table}_replaced" not in self.filled:
            return shape.empty()
        extra = [name for name in self.columns[table] if name.startswith("ff_")]
        columns = [*shape.schema.names(), *extra]
        frame = self._select(shape, ", ".join(quoted(name) for name in columns), as_of)
        unread = [name for name in extra if frame[name].null_count() == frame.height]  # that came later, or never
        return frame.drop(unread).cast(pl.Schema(shape.schema)).sort(shape.key)

    def begun_anew(self, vehicles: pl.DataFrame) -> pl.DataFrame:
        """Vehicles whose number was another one's before, as far as is known (`BEGUN_ANEW`)."""
        if "vehicles_replaced" not in self.filled:
            return BEGUN_ANEW.to_frame()
        asked: dict[str, object] = {} if self.known_at is None else {"known_at": self.known_at}
        loads = STANDING if self.known_at is None else KNOWN
        former = followed("vehicles", self.columns["vehicles"], loads)
        replaced = f"SELECT vehicle_id, vin, engine_family, replaced_by FROM {former}"
        before = frame_of(self.connection, replaced, **asked).join(vehicles, on="vehicle_id", how="semi")
        if before.is_empty():
            return BEGUN_ANEW.to_frame()
        rows = self._select(drop_tables()["snapshots"], "vehicle_id, read_at, load_id", None)
        return begun_anew(vehicles, before, rows)

    def readings(self, catalogue: pl.DataFrame, as_of: datetime | None, vehicles: pl.DataFrame) -> Readings:
        """Snapshots as they came, with the files that they came in."""
        frame = since_begun(self._snapshots(catalogue, as_of), self.begun_anew(vehicles), "read_at")
        return Readings(frame=frame, vehicles=vehicles, catalogue=catalogue)

    def loads(self) -> pl.DataFrame:
        """load_id, drop_name, file and content_hash of every file."""
        return frame_of(self.connection, "SELECT load_id, drop_name, file, content_hash FROM loads")

    def snapshots(self, catalogue: pl.DataFrame, as_of: datetime | None) -> pl.DataFrame:
        """Snapshots with their corrections, whichever form these came in, sorted by vehicle and time."""
        came = self._snapshots(catalogue, as_of).drop("load_id", "readings_load_id")
        return _read_and_within_reach(came, catalogue)

    def _snapshots(self, catalogue: pl.DataFrame, as_of: datetime | None) -> pl.DataFrame:
        contract = drop_tables()["snapshots"].schema
        wide = self._with_corrections("snapshots", [*contract.names(), "load_id"], catalogue, as_of)
        wide = wide.with_columns(readings_load_id=pl.lit(None, pl.Int32))
        long = self._with_corrections("readings", [*KEY, "load_id"], catalogue, as_of)
        if long.height:
            long = long.rename({"load_id": "readings_load_id"})
            shared = [name for name in long.columns if name in wide.columns and name not in KEY]
            both = wide.join(long, on=KEY, how="full", coalesce=True, suffix=" long")
            both = both.with_columns(pl.coalesce(f"{name} long", name).alias(name) for name in shared)
            wide = both.select(*wide.columns, *(name for name in long.columns if name not in wide.columns))
        return wide.cast(contract).sort(KEY)

    def _with_corrections(
        self, table: str, columns: list[str], catalogue: pl.DataFrame, as_of: datetime | None
    ) -> pl.DataFrame:
        stored = {name.casefold(): name for name in self.columns[table]}
        if table == "readings" and not {table, f"{table}_replaced"} & self.filled:
            return drop_tables()[table].empty().select(KEY).with_columns(load_id=pl.lit(None, pl.Int32))
        codes = [code for code in catalogue["code"] if code.casefold() in stored and code not in columns]
        selected = [quoted(c) for c in columns] + [f"{quoted(stored[c.casefold()])} AS {quoted(c)}" for c in codes]
        return self._select(drop_tables()[table], ", ".join(selected), as_of)

    def _select(self, table: Table, columns: str, as_of: datetime | None) -> pl.DataFrame:
        conditions, parameters = self._conditions(table, as_of)
        if self.known_at is None:
            rows = table.name
            if "vehicle_ids" in parameters:
                rows = rows_of_vehicles(self.connection, table.name, self.vehicle_ids or [])
            return frame_of(self.connection, f"SELECT {columns} FROM {rows} {conditions}", **parameters)
        then = table_then(table.name, self.columns[table.name], withdrawn_since=self.withdrawn_since)
        return frame_of(
            self.connection, f"SELECT {columns} FROM {then} {conditions}", **parameters, known_at=self.known_at
        )

    def _conditions(self, table: Table, as_of: datetime | None) -> tuple[str, dict[str, object]]:
        conditions, parameters = "WHERE true", dict[str, object]()
        if table.name in TIME_OF and as_of is not None:
            conditions += f" AND {quoted(TIME_OF[table.name])} <= $as_of"
            parameters["as_of"] = as_of
        if table.name in OF_VEHICLES | {"vehicles"} and self.vehicle_ids is not None:
            one = len(self.vehicle_ids) == 1  # a comparison lets most row groups be skipped, a join does not
            conditions += f" AND vehicle_id {'= $vehicle_ids[1]' if one else IN_LIST}"
            parameters["vehicle_ids"] = self.vehicle_ids
        elif table.name in OF_VEHICLES and as_of is not None:
            conditions += f" AND vehicle_id IN ({self._vehicles_known()})"
        return conditions, parameters

    def _vehicles_known(self) -> str:
        if self.known_at is None:
            return "SELECT vehicle_id FROM vehicles"
        return (
            "SELECT vehicle_id FROM (SELECT vehicle_id, load_id FROM vehicles UNION ALL "
            f"SELECT vehicle_id, load_id FROM vehicles_replaced) WHERE load_id IN {KNOWN}"
        )


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
