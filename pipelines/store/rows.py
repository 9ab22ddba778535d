"""Merges checked rows into a raw table: new keys are added, the same content is left, other content takes its place.

Uses the caller's transaction. What was replaced moves to `<table>_replaced`; nothing is ever deleted.
"""

from datetime import datetime

import duckdb
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.store.connection import frame_of, quoted
from pipelines.store.schema import columns_of, stored_key

MANY_COLUMNS = 100  # at once, beyond which writing a table anew is quicker than as many steps (measured: 1,000 in 2 s)
EXTRA_TYPES: dict[pl.DataType, str] = {pl.Float32(): "FLOAT", pl.Float64(): "DOUBLE"}


def merge_rows(
    connection: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame, *, loaded_at: datetime
) -> pl.DataFrame:
    """Merge rows of one table, in the order in which they arrived: of one key, the last one stands.

    Args:
        connection: Inside a transaction.
        table: Name of a raw table.
        rows: Typed columns of the table, further Float32 or Float64 columns (corrections, freeze frames), and load_id;
            a part of the key that is absent is null.
        loaded_at: When they arrived.

    Returns:
        One row per row of `rows`, in no order: load_id and outcome (`loaded`, `repeated`, `replaced`).
    """
    add_columns(connection, table, rows)
    key, types = stored_key(drop_tables()[table]), drop_tables()[table].schema
    rows = rows.with_columns(pl.lit(None, dtype=types[name]).alias(name) for name in key if name not in rows.columns)
    # A vehicle's rows of one load lie side by side, so that its history is a small read.
    rows = rows.with_row_index("arrival").rechunk().sort(key, maintain_order=True)
    again = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift(-1)) for name in key)
    earlier = rows.filter(again & (pl.int_range(pl.len()) < pl.len() - 1))
    newest = rows.join(earlier.select("arrival"), on="arrival", how="anti") if earlier.height else rows
    matched = _matched(connection, table, newest, key)
    _move_replaced(connection, table, matched.filter(~pl.col("same")), loaded_at)
    fresh = newest.join(matched.filter("same"), on="arrival", how="anti") if matched.height else newest
    _insert(connection, table, fresh.drop("arrival"))
    superseded = _superseded(earlier, newest, key)
    _insert(connection, f"{table}_replaced", superseded.drop("arrival").with_columns(replaced_at=pl.lit(loaded_at)))
    return _outcomes(rows, matched, earlier, superseded)


def add_columns(connection: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame) -> None:
    """Give a raw table, and its table of replaced rows, the columns it does not have yet."""
    have = {name.casefold() for name in columns_of(connection, table)}
    new = {quoted(n): EXTRA_TYPES[dtype] for n, dtype in rows.schema.items() if n.casefold() not in have}
    for target in (table, f"{table}_replaced"):
        if len(new) > MANY_COLUMNS:
            added = ", ".join(f"NULL::{sql_type} AS {name}" for name, sql_type in new.items())
            connection.execute(f"CREATE TABLE widened AS SELECT *, {added} FROM {target}")
            connection.execute(f"DROP TABLE {target}")
            connection.execute(f"ALTER TABLE widened RENAME TO {target}")
            continue
        for name, sql_type in new.items():
            connection.execute(f"ALTER TABLE {target} ADD COLUMN {name} {sql_type}")


def _matched(connection: duckdb.DuckDBPyConnection, table: str, newest: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """Stored rows that share a key with a new one: stored_row, arrival, replaced_by, same (content or not)."""
    content = [name for name in columns_of(connection, table) if name not in (*key, "load_id")]
    came = {name.casefold() for name in newest.columns}
    same = " AND ".join(
        f"t.{quoted(c)} IS NOT DISTINCT FROM s.{quoted(c)}" if c.casefold() in came else f"t.{quoted(c)} IS NULL"
        for c in content
    )
    on = " AND ".join(f"t.{quoted(c)} IS NOT DISTINCT FROM s.{quoted(c)}" for c in key)
    connection.register("staged", newest)
    matched = frame_of(
        connection,
        f"SELECT t.rowid AS stored_row, s.arrival, s.load_id AS replaced_by, {same or 'true'} AS same "
        f"FROM {table} t JOIN staged s ON {on} WHERE {_bounds(newest, key)}",
    )
    connection.unregister("staged")
    return matched


def _bounds(newest: pl.DataFrame, key: list[str]) -> str:
    """Narrow the stored rows to the time of the new ones, so that a week's load skips years of row groups."""
    times = [c for c in key if newest.schema[c] == pl.Datetime("us", "UTC")]
    if not times or newest.is_empty():
        return "true"
    low, high = newest[times[0]].min(), newest[times[0]].max()
    return f"t.{quoted(times[0])} BETWEEN TIMESTAMPTZ '{low!s}' AND TIMESTAMPTZ '{high!s}'"


def _move_replaced(
    connection: duckdb.DuckDBPyConnection, table: str, changed: pl.DataFrame, loaded_at: datetime
) -> None:
    if changed.is_empty():
        return
    connection.register("changed", changed)
    connection.execute(
        f"INSERT INTO {table}_replaced BY NAME SELECT t.*, c.replaced_by, $at::TIMESTAMPTZ AS replaced_at "
        f"FROM {table} t JOIN changed c ON t.rowid = c.stored_row",
        {"at": loaded_at},
    )
    connection.execute(f"DELETE FROM {table} WHERE rowid IN (SELECT stored_row FROM changed)")
    connection.unregister("changed")


def _superseded(earlier: pl.DataFrame, newest: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """Of the rows that a later one of this load takes the place of, those with other content, each content once."""
    if earlier.is_empty():
        return earlier.with_columns(replaced_by=pl.lit(None, dtype=pl.Int32))
    content = [c for c in earlier.columns if c not in ("arrival", "load_id")]
    other = earlier.join(newest, on=content, how="anti", nulls_equal=True).unique(
        content, keep="last", maintain_order=True
    )
    by = newest.select(*key, pl.col("load_id").alias("replaced_by"))
    return other.join(by, on=key, how="left", nulls_equal=True, maintain_order="left")


def _insert(connection: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame) -> None:
    if rows.is_empty():
        return
    connection.register("fresh", rows)
    connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM fresh")
    connection.unregister("fresh")


def _outcomes(
    rows: pl.DataFrame, matched: pl.DataFrame, earlier: pl.DataFrame, superseded: pl.DataFrame
) -> pl.DataFrame:
    outcome = (
        pl.when(pl.col("arrival").is_in(matched.filter("same")["arrival"].implode()))
        .then(pl.lit("repeated"))
        .when(pl.col("arrival").is_in(matched.filter(~pl.col("same"))["arrival"].implode()))
        .then(pl.lit("replaced"))
        .when(pl.col("arrival").is_in(superseded["arrival"].implode()))
        .then(pl.lit("replaced"))
        .when(pl.col("arrival").is_in(earlier["arrival"].implode()))
        .then(pl.lit("repeated"))
        .otherwise(pl.lit("loaded"))
    )
    return rows.select("arrival", "load_id").select("load_id", outcome.alias("outcome"))
