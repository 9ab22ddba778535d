"""Merges readings in long form into their raw table, which is wide: one row per snapshot, one column per correction.

Kept apart from `snapshots`, so that whichever of the two arrives first, the outcome is the same (see `evidence`).
"""

from datetime import datetime

import duckdb
import polars as pl

from pipelines.store.bringing import bring_keys
from pipelines.store.connection import frame_of
from pipelines.store.rows import add_columns, bounds, merge_rows
from pipelines.store.schema import columns_of

KEY = ["vehicle_id", "read_at"]
LAST = pl.element().drop_nulls().last()
LAST_VALUE = pl.col("value").drop_nulls().last().over(*KEY, "correction")


def merge_table(
    connection: duckdb.DuckDBPyConnection, table: str, parts: list[pl.DataFrame], *, loaded_at: datetime
) -> pl.DataFrame:
    """Merge checked rows of any table, see `merge_rows`; of `readings`, see `merge_readings`."""
    if table == "readings":
        return merge_readings(connection, pl.concat(parts), loaded_at=loaded_at)
    return merge_rows(connection, table, parts, loaded_at=loaded_at)


def merge_readings(connection: duckdb.DuckDBPyConnection, rows: pl.DataFrame, *, loaded_at: datetime) -> pl.DataFrame:
    """Merge long readings (vehicle_id, read_at, correction, value, load_id), in the order in which they arrived.

    Returns:
        One row per reading, in its order: load_id, outcome and crowded, as `merge_rows` gives them.
    """
    rows = rows.with_columns(pl.col("value").cast(pl.Float32))
    new = rows.pivot(on="correction", index=KEY, values="value", aggregate_function=LAST, maintain_order=True)
    codes = new.columns[2:]
    rows = rows.with_columns(final=LAST_VALUE)
    new = new.join(rows.group_by(KEY).agg(pl.col("load_id").last()), on=KEY, how="left", maintain_order="left")
    for table in ("readings", "readings_brought"):
        bring_keys(connection, table, new.select(KEY), bounds(new, KEY))
    add_columns(connection, "readings", new)
    connection.register("keys", new.select(KEY))
    stored = frame_of(connection, "SELECT * FROM readings SEMI JOIN keys USING (vehicle_id, read_at)")
    shared = frame_of(
        connection,
        "SELECT DISTINCT vehicle_id, read_at FROM readings_brought SEMI JOIN keys USING (vehicle_id, read_at)",
    )
    connection.unregister("keys")
    _keep_brought(connection, rows, stored, shared)
    stored = stored.drop("load_id")
    names = {name.casefold(): name for name in columns_of(connection, "readings")}
    others = [name for name in stored.columns if name not in KEY and name not in {names[c.casefold()] for c in codes}]
    old = stored.rename({names[code.casefold()]: f"{code} before" for code in codes})
    joined = new.join(old, on=KEY, how="left", maintain_order="left")
    merged = joined.select(*KEY, *(pl.coalesce(code, f"{code} before") for code in codes), *others, "load_id")
    merge_rows(connection, "readings", [merged], loaded_at=loaded_at)
    _keep_superseded(connection, rows, loaded_at)
    return _outcomes(rows, old, codes)


def _keep_brought(
    connection: duckdb.DuckDBPyConnection, rows: pl.DataFrame, stored: pl.DataFrame, shared: pl.DataFrame
) -> None:
    """Of the keys that more than one load has values of, keep what each brought; those of one load say it themselves.

    `stored`: Rows of these keys as they are; `shared`: keys of which this is kept already.
    """
    loads = pl.concat([rows.select(*KEY, "load_id"), stored.select(*KEY, "load_id")]).group_by(KEY)
    several = loads.agg(pl.col("load_id").n_unique() > 1).filter("load_id").select(KEY)
    if several.height + shared.height == 0:
        return
    begun = stored.join(several, on=KEY, how="semi").join(shared, on=KEY, how="anti")
    own = rows.join(pl.concat([several, shared]), on=KEY, how="semi").pivot(
        on="correction", index=[*KEY, "load_id"], values="value", aggregate_function=LAST, maintain_order=True
    )
    for part in (begun, own):
        connection.register("brought", part)
        connection.execute("INSERT INTO readings_brought BY NAME SELECT * FROM brought")
        connection.unregister("brought")


def _keep_superseded(connection: duckdb.DuckDBPyConnection, rows: pl.DataFrame, loaded_at: datetime) -> None:
    """Values that a later row of the same load takes the place of stay readable, each once."""
    gone = rows.filter(pl.col("value") != pl.col("final")).unique([*KEY, "correction", "value"], maintain_order=True)
    if gone.is_empty():
        return
    numbered = gone.with_columns(nth=pl.int_range(pl.len()).over(*KEY, "correction"))
    index = [*KEY, "load_id", "nth"]
    wide = numbered.pivot(on="correction", index=index, values="value", maintain_order=True).drop("nth")
    by = rows.group_by(KEY).agg(replaced_by=pl.col("load_id").last())
    connection.register("superseded", wide.join(by, on=KEY, how="left").with_columns(replaced_at=pl.lit(loaded_at)))
    connection.execute("INSERT INTO readings_replaced BY NAME SELECT * FROM superseded")
    connection.unregister("superseded")


def _outcomes(rows: pl.DataFrame, old: pl.DataFrame, codes: list[str]) -> pl.DataFrame:
    before = (
        old.select(*KEY, *(pl.col(f"{code} before").alias(code) for code in codes))
        .unpivot(index=KEY, variable_name="correction", value_name="before")
        .drop_nulls("before")
    )
    compared = rows.join(before, on=[*KEY, "correction"], how="left", maintain_order="left")
    again = ~pl.struct(*KEY, "correction", pl.col("value").is_null()).is_last_distinct()
    return compared.select(
        "load_id",
        pl.when(pl.col("value").is_null() | (pl.col("before") == pl.col("value")))
        .then(pl.lit("repeated"))
        .when(pl.col("before").is_not_null() | (pl.col("value") != pl.col("final")))
        .then(pl.lit("replaced"))
        .when(again)
        .then(pl.lit("repeated"))
        .otherwise(pl.lit("loaded"))
        .alias("outcome"),
        crowded=(pl.col("value") != pl.col("final")).fill_null(value=False),
    )
