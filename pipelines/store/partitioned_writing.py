"""Writes into partitioned tables what a change made of the rows that were brought; and a whole store, table by table.

Rows that are new are added as further files. Where rows went, or a vehicle's family changed, its partitions are written
anew, and so are those of many files: few large ones are read fastest. Published tables change by whole `as_of`.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import duckdb
import polars as pl

from pipelines.store.bringing import FAMILIES, PUBLICATIONS, bring, hashes, noted
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.delta_tables import append, in_partitions, overwrite
from pipelines.store.partitioned_state import (
    AS_OF,
    BUCKET,
    FAMILY,
    ROW,
    PartitionedTable,
    State,
    bucket_of,
    stored_rows,
)
from pipelines.store.table_places import TablePlace

MOST_FILES = 8  # of a partition: at the next rows for it, it is written anew; as many groups as a DuckDB file may have
Partition = tuple[str | None, int | None]
WHEN = "strftime(as_of, '%Y%m%dT%H%M%S.%f')"  # name of a published table's partition


def written_whole(connection: duckdb.DuckDBPyConnection, place: TablePlace, buckets: int) -> State:
    """Write every table that a connection to another store has; the state that names them."""
    state = State(buckets=buckets, address=place.address)
    _put_places(connection, _vehicles_in(connection), buckets)
    for (schema, name), columns in _tables(connection).items():
        table = PartitionedTable(schema=schema, name=name, columns=columns)
        count = one_row(connection, f"SELECT count(*) FROM {table.place}")[0]
        if count:
            rows = f"SELECT *, row_number() OVER (ORDER BY rowid) - 1 AS {quoted(ROW)} FROM {table.place}"
            table = append(connection, place, replace(table, next_row=count), _in_place(table, rows))
        state = state.with_table(table)
    connection.execute("DROP TABLE places")
    return state


def written_back(connection: duckdb.DuckDBPyConnection, state: State, place: TablePlace) -> State:
    """Write what differs between a scratch file and the state it was made of; the state that names it."""
    moved = frame_of(
        connection,
        f"SELECT v.vehicle_id FROM vehicles v JOIN {FAMILIES} f USING (vehicle_id) "
        "WHERE v.engine_family IS DISTINCT FROM f.engine_family",
    )["vehicle_id"]
    known = set(frame_of(connection, f"SELECT vehicle_id FROM {FAMILIES}")["vehicle_id"])
    came = set(frame_of(connection, "SELECT vehicle_id FROM vehicles")["vehicle_id"])
    bring(connection, [*moved, *(known ^ came)])  # rows of these may lie in another family's partition
    _put_places(connection, _vehicles_in(connection), state.buckets)
    after, changed = State(buckets=state.buckets, address=state.address), _changed_as_of(connection)
    for (schema, name), columns in _tables(connection).items():
        before = state.table(schema, name) or PartitionedTable(schema=schema, name=name, columns={})
        table = replace(before, columns=columns)
        if schema == "published":
            table = _published(connection, place, before, table, changed.get(name, []))
        elif _differ(connection, before, table):
            put = _of_vehicles if table.partitions else _whole
            table = put(connection, place, table)
        after = after.with_table(table)
    return after


def _tables(connection: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], dict[str, str]]:
    """Columns of every table, by its schema and name: name -> SQL type."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    for schema, table, column, kind in connection.execute(
        "SELECT schema_name, table_name, column_name, data_type FROM duckdb_columns() "
        "WHERE database_name = current_database() AND schema_name IN ('main', 'published') "
        "ORDER BY schema_name, table_name, column_index"
    ).fetchall():
        found.setdefault((schema, table), {})[column] = kind
    return found


def _vehicles_in(connection: duckdb.DuckDBPyConnection) -> pl.Series:
    """Every vehicle of a row that lies in a partition."""
    tables = [
        PartitionedTable(schema=schema, name=name, columns=columns)
        for (schema, name), columns in _tables(connection).items()
    ]
    asked = [f"SELECT vehicle_id FROM {each.place}" for each in tables if FAMILY in each.partitions]
    return frame_of(connection, f"SELECT DISTINCT vehicle_id FROM ({' UNION ALL '.join(asked)})")["vehicle_id"]


def _put_places(connection: duckdb.DuckDBPyConnection, vehicles: pl.Series, buckets: int) -> None:
    """Make the table `places`: vehicle_id, its family's partition, and its bucket."""
    found = pl.DataFrame(
        {"vehicle_id": vehicles, BUCKET: [bucket_of(vehicle or "", buckets) for vehicle in vehicles]},
        schema={"vehicle_id": pl.String, BUCKET: pl.Int32},
    )
    connection.register("found", found)
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE places AS SELECT f.*, nullif(v.engine_family, '') AS {quoted(FAMILY)} "
        "FROM found f LEFT JOIN vehicles v ON v.vehicle_id = f.vehicle_id"
    )
    connection.unregister("found")


def _in_place(table: PartitionedTable, rows: str) -> str:
    """Numbered rows with the columns of their partitions, in the order in which they are to lie."""
    if table.schema == "published":
        return f"SELECT *, {WHEN} AS {quoted(AS_OF)} FROM ({rows}) ORDER BY {quoted(ROW)}"
    if not table.partitions:
        return f"SELECT * FROM ({rows}) ORDER BY {quoted(ROW)}"
    return (
        f"SELECT r.*, p.{quoted(FAMILY)}, p.{quoted(BUCKET)} FROM ({rows}) r "
        "JOIN places p ON p.vehicle_id IS NOT DISTINCT FROM r.vehicle_id "
        f"ORDER BY {quoted(FAMILY)}, {quoted(BUCKET)}, vehicle_id, {quoted(ROW)}"
    )


def _differ(connection: duckdb.DuckDBPyConnection, before: PartitionedTable, table: PartitionedTable) -> bool:
    """Whether any row is new (`fresh`: place), gone (`gone`: number) or to lie elsewhere (`moved`: both)."""
    brought = f"(SELECT count(*) FROM {noted(table)})" if before.parts else "0"
    if one_row(connection, f"SELECT count(*), {brought} FROM {table.place}") == (0, 0):
        return False
    if not before.parts:
        connection.execute(
            f"""CREATE OR REPLACE TEMP TABLE fresh AS SELECT rowid AS place FROM {table.place};
            CREATE OR REPLACE TEMP TABLE gone (number BIGINT, vehicle_id VARCHAR);
            CREATE OR REPLACE TEMP TABLE moved (place BIGINT, number BIGINT, vehicle_id VARCHAR)"""
        )
        return True
    added = [quoted(name) for name in table.columns if name not in before.columns]
    wider = f"coalesce({', '.join(f'{name}::VARCHAR' for name in added)}) IS NOT NULL" if added else "false"
    connection.execute(
        f"""CREATE OR REPLACE TEMP TABLE now AS SELECT place, one, other,
            CASE WHEN wider THEN -place - 1 ELSE row_number() OVER (PARTITION BY one, other ORDER BY place) END AS nth
        FROM (SELECT rowid AS place, {wider} AS wider, {hashes(before.columns)} FROM {table.place});
        CREATE OR REPLACE TEMP TABLE past AS
            SELECT *, row_number() OVER (PARTITION BY one, other ORDER BY number) AS nth FROM {noted(table)};
        CREATE OR REPLACE TEMP TABLE fresh AS SELECT place FROM now ANTI JOIN past USING (one, other, nth);
        CREATE OR REPLACE TEMP TABLE gone AS SELECT number, vehicle_id FROM past ANTI JOIN now USING (one, other, nth);
        -- What stays, of vehicles whose family changed.
        CREATE OR REPLACE TEMP TABLE moved AS
            SELECT now.place, past.number, past.vehicle_id FROM now JOIN past USING (one, other, nth)
            JOIN places p ON p.vehicle_id = past.vehicle_id
            LEFT JOIN {FAMILIES} f ON f.vehicle_id = past.vehicle_id
            WHERE nullif(f.engine_family, '') IS DISTINCT FROM p.{quoted(FAMILY)}"""
    )
    counts = "(SELECT count(*) FROM fresh) + (SELECT count(*) FROM gone) + (SELECT count(*) FROM moved)"
    return bool(one_row(connection, f"SELECT {counts}")[0])


def _whole(connection: duckdb.DuckDBPyConnection, place: TablePlace, table: PartitionedTable) -> PartitionedTable:
    """A table that was brought whole: what is new is added; where rows went it is written anew."""
    gone = one_row(connection, "SELECT count(*) FROM gone")[0]
    if gone or len(table.parts) >= MOST_FILES:
        count = one_row(connection, f"SELECT count(*) FROM {table.place}")[0]
        rows = f"SELECT *, row_number() OVER (ORDER BY rowid) - 1 AS {quoted(ROW)} FROM {table.place}"
        return overwrite(connection, place, replace(table, next_row=count), _in_place(table, rows))
    new = one_row(connection, "SELECT count(*) FROM fresh")[0]
    return append(connection, place, replace(table, next_row=table.next_row + new), _in_place(table, _new_rows(table)))


def _new_rows(table: PartitionedTable) -> str:
    return (
        f"SELECT *, {table.next_row} - 1 + row_number() OVER (ORDER BY rowid) AS {quoted(ROW)} "
        f"FROM {table.place} WHERE rowid IN (SELECT place FROM fresh)"
    )


def _of_vehicles(connection: duckdb.DuckDBPyConnection, place: TablePlace, table: PartitionedTable) -> PartitionedTable:
    """A table of which some vehicles were brought."""
    moved = f"SELECT t.*, m.number AS {quoted(ROW)} FROM {table.place} t JOIN moved m ON t.rowid = m.place"
    coming = _in_place(table, f"FROM ({_new_rows(table)}) UNION ALL BY NAME FROM ({moved})")
    connection.execute(f"CREATE OR REPLACE TEMP TABLE coming AS {coming}")
    new = one_row(connection, "SELECT count(*) FROM fresh")[0]
    table = replace(table, next_row=table.next_row + new)
    anew = _partitions_anew(connection, table)
    if anew:
        connection.execute("INSERT INTO gone BY NAME SELECT number, vehicle_id FROM moved")
        table_then = overwrite(connection, place, table, _anew(table, place, anew), in_partitions(table, anew))
    else:
        table_then = table
    beside = f"SELECT * FROM coming WHERE NOT {_among(anew)} ORDER BY {_order()}"
    if one_row(connection, f"SELECT count(*) FROM ({beside})")[0]:
        table_then = append(connection, place, table_then, beside)
    connection.execute("DROP TABLE coming")
    return table_then


def _partitions_anew(connection: duckdb.DuckDBPyConnection, table: PartitionedTable) -> list[Partition]:
    """Those that rows leave, and those of many files that rows come to."""
    left = connection.execute(
        f"""SELECT DISTINCT nullif(f.engine_family, ''), p.{quoted(BUCKET)}
        FROM (SELECT vehicle_id FROM gone UNION SELECT vehicle_id FROM moved) g
        JOIN places p ON p.vehicle_id IS NOT DISTINCT FROM g.vehicle_id
        LEFT JOIN {FAMILIES} f ON f.vehicle_id = g.vehicle_id"""
    ).fetchall()
    met = connection.execute(f"SELECT DISTINCT {quoted(FAMILY)}, {quoted(BUCKET)} FROM coming").fetchall()
    files = Counter((part.family, part.bucket) for part in table.parts)
    return sorted({*left, *(each for each in met if files[each] >= MOST_FILES)}, key=repr)


def _anew(table: PartitionedTable, place: TablePlace, partitions: Sequence[Partition]) -> str:
    """All rows that some partitions are to hold: those that stay, and those that come."""
    stay = [f"SELECT * FROM coming WHERE {_among(partitions)}"]
    for family, bucket in partitions:
        parts = [part for part in table.parts if (part.family, part.bucket) == (family, bucket)]
        stay.append(
            f"SELECT * EXCLUDE (rowid), rowid AS {quoted(ROW)}, {_text(family)}::VARCHAR AS {quoted(FAMILY)}, "
            f"{bucket} AS {quoted(BUCKET)} FROM ({stored_rows(table, place, parts)}) "
            "WHERE rowid NOT IN (SELECT number FROM gone)"
        )
    return f"SELECT * FROM ({' UNION ALL BY NAME '.join(stay)}) ORDER BY {_order()}"


def _order() -> str:
    return f"{quoted(FAMILY)}, {quoted(BUCKET)}, vehicle_id, {quoted(ROW)}"


def _among(partitions: Sequence[Partition]) -> str:
    """Whether a row lies in one of the partitions, as SQL."""
    each = [
        f"({quoted(FAMILY)} IS NOT DISTINCT FROM {_text(family)} AND {quoted(BUCKET)} = {bucket})"
        for family, bucket in partitions
    ]
    return f"({' OR '.join(each)})" if each else "false"


def _text(value: str | None) -> str:
    return "NULL" if value is None else "'" + value.replace("'", "''") + "'"


def _changed_as_of(connection: duckdb.DuckDBPyConnection) -> dict[str, list[str]]:
    """By published table: each `as_of` that was published or forgotten, by the name of its partition."""
    changed = connection.execute(
        f"""SELECT DISTINCT table_name, {WHEN} AS which FROM (
            (SELECT * FROM publications EXCEPT SELECT * FROM {PUBLICATIONS}) UNION
            (SELECT * FROM {PUBLICATIONS} EXCEPT SELECT * FROM publications)
        ) ORDER BY ALL"""
    ).fetchall()
    found: dict[str, list[str]] = {}
    for name, which in changed:
        found.setdefault(name, []).append(which)
    return found


def _published(
    connection: duckdb.DuckDBPyConnection,
    place: TablePlace,
    before: PartitionedTable,
    table: PartitionedTable,
    changed: Sequence[str],
) -> PartitionedTable:
    """A published table: each `as_of` that changed takes the place of what was there."""
    count = one_row(connection, f"SELECT coalesce(max(rowid) + 1, 0) FROM {table.place}")[0]
    # They lie in this order already, so that nothing large need be sorted.
    rows = f"SELECT *, {table.next_row} + rowid AS {quoted(ROW)}, {WHEN} AS {quoted(AS_OF)} FROM {table.place}"
    then = replace(table, next_row=table.next_row + count)
    if any(table.columns.get(name) != kind for name, kind in before.columns.items()) and before.version is not None:
        return overwrite(connection, place, then, rows)
    had = {part.as_of for part in table.parts}
    if had.intersection(changed):
        return overwrite(connection, place, then, rows, in_partitions(table, [(at,) for at in changed]))
    return append(connection, place, then, rows) if count else table
