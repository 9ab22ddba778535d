"""Merges checked rows into a raw table: new keys are added, the same content is left, other content takes its place.

Uses the caller's transaction. What was replaced moves to `<table>_replaced`, and `<table>_repeated` says which loads
brought the same content again, so that any of them can be withdrawn (see `withdraw`); nothing is ever deleted.
"""

from datetime import datetime

import duckdb
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.store.bringing import bring_keys
from pipelines.store.connection import frame_of, quoted
from pipelines.store.schema import columns_of, stored_key

MANY_COLUMNS = 100  # at once, beyond which writing a table anew is quicker than as many steps (measured: 1,000 in 2 s)
EXTRA_TYPES: dict[pl.DataType, str] = {pl.Float32(): "FLOAT", pl.Float64(): "DOUBLE"}


def merge_rows(
    connection: duckdb.DuckDBPyConnection, table: str, parts: list[pl.DataFrame], *, loaded_at: datetime
) -> pl.DataFrame:
    """Merge rows of one table, in the order in which they arrived: of one key, the last one stands.

    Args:
        connection: Inside a transaction.
        table: Name of a raw table.
        parts: Frames of alike columns: typed ones of the table, further Float32 or Float64 columns (corrections, freeze
            frames), and load_id; a part of the key that is absent is null. The list is emptied, so that they do not
            take room beside the sorted rows.
        loaded_at: When they arrived.

    Returns:
        One row per row, in no order: load_id, outcome (`loaded`, `repeated`, `replaced`), and crowded: a
        later row of its own load has its key and other content.
    """
    rows = pl.concat(parts)
    parts.clear()
    key, types = stored_key(drop_tables()[table]), drop_tables()[table].schema
    rows = rows.with_columns(pl.lit(None, dtype=types[name]).alias(name) for name in key if name not in rows.columns)
    bring_keys(connection, table, rows.select(key), bounds(rows, key))
    add_columns(connection, table, rows)
    # A vehicle's rows of one load lie side by side, so that its history is a small read.
    rows = rows.with_row_index("arrival").rechunk()
    rows = rows.sort(key, maintain_order=True)
    superseded, again = _of_one_key(rows, key)
    earlier = pl.concat([superseded.select("arrival"), again.select("arrival")])
    newest = rows.join(earlier, on="arrival", how="anti") if earlier.height else rows
    matched = _matched(connection, table, newest, key)
    if superseded.height:  # what comes back to the stored content, after another, takes its place all the same
        contested = newest.join(superseded, on=key, how="semi", nulls_equal=True)["arrival"]
        matched = matched.with_columns(pl.col("same") & ~pl.col("arrival").is_in(contested.implode()))
    _move_replaced(connection, table, matched.filter(~pl.col("same")), loaded_at)
    fresh = newest.join(matched.filter("same"), on="arrival", how="anti") if matched.height else newest
    _insert(connection, table, fresh.drop("arrival"))
    old = superseded.drop("arrival").with_columns(replaced_at=pl.lit(loaded_at))
    _insert(connection, f"{table}_replaced", old)
    if table != "readings":
        _insert(connection, f"{table}_repeated", _repeats(newest, matched.filter("same"), again, key))
    return _outcomes(rows, matched, superseded, again)


def add_columns(connection: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame) -> None:
    """Give a raw table, and its table of replaced rows, the columns it does not have yet."""
    have = {name.casefold() for name in columns_of(connection, table)}
    new = {quoted(n): EXTRA_TYPES[dtype] for n, dtype in rows.schema.items() if n.casefold() not in have}
    for target in (table, f"{table}_replaced", *(["readings_brought"] if table == "readings" else [])):
        if len(new) > MANY_COLUMNS:
            added = ", ".join(f"NULL::{sql_type} AS {name}" for name, sql_type in new.items())
            connection.execute(f"CREATE TABLE widened AS SELECT *, {added} FROM {target}")
            connection.execute(f"DROP TABLE {target}")
            connection.execute(f"ALTER TABLE widened RENAME TO {target}")
            continue
        for name, sql_type in new.items():
            connection.execute(f"ALTER TABLE {target} ADD COLUMN {name} {sql_type}")


def _matched(connection: duckdb.DuckDBPyConnection, table: str, newest: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """Stored rows that share a key with a new one: stored_row, stored_load, arrival, replaced_by, same (content)."""
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
        "SELECT t.rowid AS stored_row, t.load_id AS stored_load, s.arrival, s.load_id AS replaced_by, "
        f"{same or 'true'} AS same "
        f"FROM {table} t JOIN staged s ON {on} WHERE {bounds(newest, key)}",
    )
    connection.unregister("staged")
    return matched


def bounds(newest: pl.DataFrame, key: list[str]) -> str:
    """Narrow the stored rows `t` to the time of the new ones, so that a week's load skips years of row groups."""
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


def _of_one_key(rows: pl.DataFrame, key: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of a key that is there several times, but the first of those with the content that stands in the end.

    Args:
        rows: By key, then in the order in which they came.
        key: Its columns.

    Returns:
        Those that other content follows on, with replaced_by; and those that repeat the one before them: key, load_id,
        arrival, and arrival and load_id of the first with that content (`first`, `same_as`).
    """
    same_key = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift(1)) for name in key)
    after = rows.select(same_key & (pl.int_range(pl.len()) > 0)).to_series()
    several = rows.filter(after | after.shift(-1, fill_value=False))
    content = [name for name in rows.columns if name not in ("arrival", "load_id")]
    repeats = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift(1)) for name in content)
    several = several.with_columns(repeats=repeats & (pl.int_range(pl.len()) > 0))
    first = {"first": "arrival", "same_as": "load_id"}
    several = several.with_columns(
        pl.when(~pl.col("repeats")).then(name).forward_fill().alias(alias) for alias, name in first.items()
    )
    versions = several.filter(~pl.col("repeats")).with_columns(replaced_by=pl.col("load_id").shift(-1).over(key))
    followed = pl.col("arrival") != pl.col("arrival").last().over(key)
    superseded = versions.filter(followed).select(*rows.columns, "replaced_by")
    return superseded, several.filter("repeats").select(*key, "load_id", "arrival", *first)


def _repeats(newest: pl.DataFrame, same: pl.DataFrame, again: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """Which loads brought again what another one has: key, load_id, and that load (same_as)."""
    stored = same.select("arrival", pl.col("stored_load").alias("same_as"))
    of_stored = newest.select(*key, "load_id", "arrival").join(stored, on="arrival").drop("arrival")
    of_new = again.join(stored, left_on="first", right_on="arrival", how="left", suffix=" stored").select(
        *key, "load_id", pl.coalesce("same_as stored", "same_as").alias("same_as")
    )
    return pl.concat([of_stored, of_new]).filter(pl.col("load_id") != pl.col("same_as")).unique(maintain_order=True)


def _insert(connection: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame) -> None:
    if rows.is_empty():
        return
    connection.register("fresh", rows)
    connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM fresh")
    connection.unregister("fresh")


def _outcomes(rows: pl.DataFrame, matched: pl.DataFrame, superseded: pl.DataFrame, again: pl.DataFrame) -> pl.DataFrame:
    def among(frame: pl.DataFrame) -> pl.Expr:
        return pl.col("arrival").is_in(frame["arrival"].implode())

    outcome = (
        pl.when(among(matched.filter("same")) | among(again))
        .then(pl.lit("repeated"))
        .when(among(matched) | among(superseded))
        .then(pl.lit("replaced"))
        .otherwise(pl.lit("loaded"))
    )
    crowded = among(superseded.filter(pl.col("load_id") == pl.col("replaced_by")))
    return rows.select("load_id", outcome.alias("outcome"), crowded.alias("crowded"))
