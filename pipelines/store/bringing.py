"""Brings rows of partitioned tables into a scratch DuckDB file: small tables whole, of others what a change touches.

Of each row that was brought, `brought.TABLE` keeps its number and two hashes of its content, so that what differs in
the end can be told without a second copy: two rows that differ share both in one of 2^128 cases.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from weakref import WeakKeyDictionary

import duckdb
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.store.connection import connect, quoted
from pipelines.store.partitioned_state import PartitionedTable, State, TableFile, bucket_of, stored_rows
from pipelines.store.schema import is_current, stored_version

PUBLICATIONS, FAMILIES = 'brought."~publications"', 'brought."~families"'  # as they were: their keys, and families


@dataclass(kw_only=True)
class _Bringer:
    """What was brought into a scratch file so far."""

    connection: duckdb.DuckDBPyConnection
    state: State
    folder: Path
    vehicles: set[str] = field(default_factory=set)
    everything: bool = False

    def begin(self) -> None:
        """Make every table, and fill those that are brought whole."""
        self.connection.execute("CREATE SCHEMA published; CREATE SCHEMA brought")
        for table in self.state.tables:
            columns = ", ".join(f"{quoted(name)} {kind}" for name, kind in table.columns.items())
            self.connection.execute(f"CREATE TABLE {table.place} ({columns})")
            if table.schema == "main" and table.parts:
                self.connection.execute(
                    f"CREATE TABLE {noted(table)} (number BIGINT, one UBIGINT, other UBIGINT, vehicle_id VARCHAR)"
                )
                if not table.partitions:
                    self._take(table, table.parts)
        self.connection.execute(f"CREATE TABLE {PUBLICATIONS} AS FROM publications")
        self.connection.execute(f"CREATE TABLE {FAMILIES} AS SELECT vehicle_id, engine_family FROM vehicles")
        if not is_current(stored_version(self.connection)):
            self.bring_all()

    def bring(self, vehicle_ids: Iterable[str]) -> None:
        """Rows of vehicles, of those that were not brought before."""
        new = set() if self.everything else set(vehicle_ids) - self.vehicles
        if not new:
            return
        self.vehicles |= new
        buckets = {bucket_of(vehicle_id, self.state.buckets) for vehicle_id in new}
        self.connection.register("wanted", pl.DataFrame({"vehicle_id": sorted(new)}))
        for table in self._of_vehicles():
            parts = [part for part in table.parts if part.bucket in buckets]
            self._take(table, parts, "SEMI JOIN wanted USING (vehicle_id)")
        self.connection.unregister("wanted")

    def bring_all(self) -> None:
        """Rows of every vehicle."""
        if self.everything:
            return
        self.connection.register(
            "had", pl.DataFrame({"vehicle_id": sorted(self.vehicles)}, schema={"vehicle_id": pl.String})
        )
        for table in self._of_vehicles():
            self._take(table, table.parts, "ANTI JOIN had USING (vehicle_id)")
        self.connection.unregister("had")
        self.everything = True

    def _of_vehicles(self) -> list[PartitionedTable]:
        return [table for table in self.state.tables if table.schema == "main" and table.partitions and table.parts]

    def _take(self, table: PartitionedTable, parts: Iterable[TableFile], which: str = "") -> None:
        names = ", ".join(map(quoted, table.columns))
        # A key has one row in a table of the drop, so only others need their order; wide rows take long to sort.
        order = "" if table.partitions and table.name in drop_tables() else "ORDER BY rowid"
        rows = f"({stored_rows(table, self.folder, list(parts))}) r {which}"
        self.connection.execute(f"INSERT INTO {table.place} ({names}) SELECT {names} FROM {rows} {order}")
        vehicle = "vehicle_id" if table.partitions else "NULL"
        self.connection.execute(
            f"INSERT INTO {noted(table)} SELECT rowid, {hashes(table.columns)}, {vehicle} FROM {rows}"
        )


_bringers = WeakKeyDictionary[duckdb.DuckDBPyConnection, _Bringer]()


@contextmanager
def scratch_of(state: State, folder: Path, file: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to a scratch file with the tables of a state, into which more can be brought."""
    connection = connect(file)
    try:
        bringer = _Bringer(connection=connection, state=state, folder=folder)
        # The file is thrown away in the end: nothing need be put in order then, and little be waited for now.
        connection.execute("PRAGMA disable_checkpoint_on_shutdown; BEGIN")
        bringer.begin()
        connection.execute("COMMIT")
        _bringers[connection] = bringer
        yield connection
    finally:
        connection.close()


def bring(connection: duckdb.DuckDBPyConnection, vehicle_ids: Iterable[str]) -> None:
    """See that the rows of these vehicles are there; in a store of one file they always are.

    Whoever changes a table that has vehicles asks for those that it touches, before it looks.
    """
    if bringer := _bringers.get(connection):
        bringer.bring(vehicle_ids)


def bring_all(connection: duckdb.DuckDBPyConnection) -> None:
    """See that the rows of every vehicle are there."""
    if bringer := _bringers.get(connection):
        bringer.bring_all()


def hashes(columns: Iterable[str]) -> str:
    """Two hashes of a row's content, as SQL."""
    names = ", ".join(map(quoted, columns))
    return f"hash(1, {names}) AS one, hash(2, {names}) AS other"


def noted(table: PartitionedTable) -> str:
    """Where it is kept which rows of a table were brought."""
    return f"brought.{quoted(table.name)}"
