"""Brings rows of partitioned tables into a scratch DuckDB file: small tables whole, of others what a change touches.

A load touches the rows that share a key with a new one. What it only looks at, it reads where that lies.

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
from pipelines.store.connection import connect, one_row, quoted
from pipelines.store.partitioned_state import PartitionedTable, State, TableFile, bucket_of, stored_rows
from pipelines.store.schema import is_current, stored_version
from pipelines.store.table_places import TablePlace

PUBLICATIONS, FAMILIES = 'brought."~publications"', 'brought."~families"'  # as they were: their keys, and families


@dataclass(kw_only=True)
class _Bringer:
    """What was brought into a scratch file so far."""

    connection: duckdb.DuckDBPyConnection
    state: State
    place: TablePlace
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
        self.connection.register("wanted", pl.DataFrame({"vehicle_id": sorted(new)}))
        for table in self._of_vehicles():
            self._take(table, self._files_of(table, new), "SEMI JOIN wanted USING (vehicle_id)")
        self.connection.unregister("wanted")

    def bring_keys(self, name: str, keys: pl.DataFrame, within: str) -> None:
        """Rows of a table that share a key with one of these; most new rows share it with none."""
        table = self._not_here(name)
        if table is None:
            return
        parts = self._files_of(table, keys["vehicle_id"].unique())
        on = " AND ".join(f"t.{quoted(column)} IS NOT DISTINCT FROM w.{quoted(column)}" for column in keys.columns)
        self.connection.register("wanted", keys)
        self.connection.execute(
            "CREATE OR REPLACE TEMP TABLE asked AS SELECT rowid AS number "
            f"FROM ({stored_rows(table, self.place, parts)}) t SEMI JOIN wanted w ON {on} WHERE {within}"
        )
        self.connection.unregister("wanted")
        if one_row(self.connection, "SELECT count(*) FROM asked")[0]:
            self._take(table, parts, "SEMI JOIN asked ON asked.number = r.rowid")

    def beside(self, name: str, vehicles: str) -> str | None:
        """See `with_what_lies_there`; None: all of it is here."""
        table = self._not_here(name)
        if table is None:
            return None
        parts: Iterable[TableFile] = table.parts
        if vehicles:
            found = self.connection.execute(f"SELECT DISTINCT vehicle_id FROM {vehicles}").fetchall()
            parts = self._files_of(table, (vehicle_id for (vehicle_id,) in found))
        return (
            f"(FROM {table.place} UNION ALL BY NAME SELECT r.* EXCLUDE (rowid) "
            f"FROM ({stored_rows(table, self.place, list(parts))}) r ANTI JOIN {noted(table)} n ON n.number = r.rowid)"
        )

    def bring_all(self) -> None:
        """Rows of every vehicle."""
        if self.everything:
            return
        for table in self._of_vehicles():
            self._take(table, table.parts)
        self.everything = True

    def _not_here(self, name: str) -> PartitionedTable | None:
        """A table of vehicles of which there may be rows that were not brought."""
        return None if self.everything else next((each for each in self._of_vehicles() if each.name == name), None)

    def _files_of(self, table: PartitionedTable, vehicle_ids: Iterable[str | None]) -> list[TableFile]:
        buckets = {bucket_of(vehicle_id or "", self.state.buckets) for vehicle_id in vehicle_ids}
        return [part for part in table.parts if part.bucket in buckets]

    def _of_vehicles(self) -> list[PartitionedTable]:
        return [table for table in self.state.tables if table.schema == "main" and table.partitions and table.parts]

    def _take(self, table: PartitionedTable, parts: Iterable[TableFile], which: str = "") -> None:
        names = ", ".join(map(quoted, table.columns))
        # A key has one row in a table of the drop, so only others need their order; wide rows take long to sort.
        order = "" if table.partitions and table.name in drop_tables() else "ORDER BY rowid"
        new = f"ANTI JOIN {noted(table)} n ON n.number = r.rowid" if table.partitions else ""
        rows = f"({stored_rows(table, self.place, list(parts))}) r {which} {new}"
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
        bringer = _Bringer(connection=connection, state=state, place=state.place(folder))
        bringer.place.open_to(connection, state.sizes)
        # The file is thrown away in the end: nothing need be put in order then, and little be waited for now.
        connection.execute("PRAGMA disable_checkpoint_on_shutdown; BEGIN")
        bringer.begin()
        connection.execute("COMMIT")
        _bringers[connection] = bringer
        yield connection
    finally:
        connection.close()


def bring(connection: duckdb.DuckDBPyConnection, vehicle_ids: Iterable[str]) -> None:
    """See that all rows of these vehicles are there; in a store of one file they always are.

    Whoever changes a table that has vehicles asks for what it touches, before it looks.
    """
    if bringer := _bringers.get(connection):
        bringer.bring(vehicle_ids)


def bring_keys(connection: duckdb.DuckDBPyConnection, table: str, keys: pl.DataFrame, within: str = "true") -> None:
    """See that the rows of a table that share a key with one of these are there.

    Args:
        connection: Inside a transaction.
        table: Name of a raw table.
        keys: Some of its columns, vehicle_id among them where it has that.
        within: What else is known of the rows looked for, as SQL of a table `t`, so that files are left out.
    """
    if bringer := _bringers.get(connection):
        bringer.bring_keys(table, keys, within)


def with_what_lies_there(connection: duckdb.DuckDBPyConnection, table: str, vehicles: str = "") -> str:
    """A relation with every row of a table, as SQL, for who only reads: what was not brought is read where it lies.

    Args:
        connection: Inside a transaction.
        table: Name of a raw table.
        vehicles: A relation with vehicle_id, as SQL: rows of others may be missing; none: no row is.
    """
    bringer = _bringers.get(connection)
    return (bringer and bringer.beside(table, vehicles)) or table


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
