"""Questions to one state of the store, as it was known at a time, of all vehicles or of some; rows out."""

from datetime import datetime

import duckdb
import polars as pl

from pipelines.catalogue.tables import Table, drop_tables
from pipelines.held.another_vehicle import BEGUN_ANEW, begun_anew, since_begun
from pipelines.held.readings import Readings
from pipelines.store.connection import frame_of, quoted
from pipelines.store.history import KNOWN, LATER, STANDING, followed, table_then
from pipelines.store.readers import once, rows_of_vehicles
from pipelines.store.schema import columns_of_all, filled_tables

TIME_OF = {"snapshots": "read_at", "readings": "read_at", "faults": "read_at", "work": "done_at", "notes": "at"}
OF_VEHICLES = {"snapshots", "readings", "faults", "work", "availability", "due"}
KEY = ["vehicle_id", "read_at"]
IN_LIST = "IN (SELECT unnest($vehicle_ids::VARCHAR[]))"


class Asking:
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
        theirs = self.of(before["vehicle_id"].unique().to_list())
        rows = theirs._select(drop_tables()["snapshots"], "vehicle_id, read_at, load_id", None)
        return begun_anew(vehicles, before, rows)

    def readings(
        self, catalogue: pl.DataFrame, as_of: datetime | None, vehicles: pl.DataFrame, begun: pl.DataFrame
    ) -> Readings:
        """Snapshots as they came, with the files that they came in.

        Args:
            catalogue: The corrections.
            as_of: None: all that is known.
            vehicles: The contract's.
            begun: Those of the vehicles whose number was another one's (`begun_anew`).
        """
        frame = since_begun(self.snapshots(catalogue, as_of), begun, "read_at")
        return Readings(frame=frame, vehicles=vehicles, catalogue=catalogue)

    def of(self, vehicle_ids: list[str]) -> "Asking":
        """The same questions of some vehicles."""
        return Asking(self.connection, self.known_at, vehicle_ids)

    def how_many(self, table: str, as_of: datetime | None) -> int:
        """Rows of a raw table."""
        return int(self._select(drop_tables()[table], "count(*)", as_of).item())

    def loads(self) -> pl.DataFrame:
        """load_id, drop_name, file and content_hash of every file."""
        return frame_of(self.connection, "SELECT load_id, drop_name, file, content_hash FROM loads")

    def snapshots(self, catalogue: pl.DataFrame, as_of: datetime | None) -> pl.DataFrame:
        """Snapshots with corrections, whichever form they came in, and files, sorted by vehicle and time."""
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
