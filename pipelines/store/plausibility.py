"""Looks at new rows beside what is stored, for references and the vehicle's own past; gives flags, changes nothing."""

import duckdb
import polars as pl

from pipelines.catalogue.checks import Check, checks
from pipelines.catalogue.corrections import built_in_components, built_in_corrections, overridden
from pipelines.catalogue.tables import drop_tables
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.own_past import own_past_flags
from pipelines.store.schema import columns_of

FLAGS = {
    "row_number": pl.Int64, "load_id": pl.Int32, "vehicle_id": pl.String, "column_name": pl.String, "reason": pl.String,
    "detail": pl.String,
}  # fmt: skip


BULK_ROWS = 200_000  # a load of more snapshots is a history: its single corrections are left to the drift stage


def flag_implausible(connection: duckdb.DuckDBPyConnection, *, first_load: int) -> pl.DataFrame:
    """Flags on the rows of this load: row_number (null), load_id, vehicle_id, column_name, reason, detail."""
    found = [_reference(connection, check, first_load) for check in checks() if check.check == "reference"]
    return pl.concat([pl.DataFrame(schema=FLAGS), *found, _own_past(connection, first_load)])


def _own_past(connection: duckdb.DuckDBPyConnection, first_load: int) -> pl.DataFrame:
    new = one_row(connection, "SELECT count(*) FROM snapshots WHERE load_id >= ?", [first_load])[0]
    if not new:
        return pl.DataFrame(schema=FLAGS)
    columns = ["vehicle_id", "read_at", "load_id", "odometer_km", "ignition_hours", "coolant_c"]
    steps: dict[str, float] = {}
    if new <= BULK_ROWS:
        own = frame_of(connection, "SELECT * EXCLUDE (load_id) FROM corrections")
        stored = set(columns_of(connection, "snapshots"))
        catalogue = overridden(built_in_corrections(), own).filter(pl.col("code").is_in(stored))
        steps = dict(catalogue.select("code", pl.col("resolution").fill_null(0.0)).iter_rows())
    rows = frame_of(
        connection,
        f"SELECT {', '.join(quoted(name) for name in [*columns, *steps])}, load_id >= $first AS new FROM snapshots "
        "WHERE vehicle_id IN (SELECT vehicle_id FROM snapshots WHERE load_id >= $first)",
        first=first_load,
    )
    return own_past_flags(rows, steps=steps).select(pl.lit(None, dtype=pl.Int64).alias("row_number"), *list(FLAGS)[1:])


def _reference(connection: duckdb.DuckDBPyConnection, check: Check, first_load: int) -> pl.DataFrame:
    """One flag per file and value that no row of the table referred to has."""
    key = drop_tables()[check.argument].key[0]
    known = frame_of(connection, f"SELECT {key} FROM {check.argument}")[key]
    if check.argument == "components":
        known = pl.concat([known, built_in_components()[key]])
    elif check.argument == "families" and known.is_empty():
        return pl.DataFrame(schema=FLAGS)
    values = frame_of(
        connection,
        f"SELECT DISTINCT load_id, {check.column} AS detail FROM {check.table} "
        f"WHERE load_id >= $first AND {check.column} IS NOT NULL ORDER BY ALL",
        first=first_load,
    )
    unknown = values.filter(~pl.col("detail").is_in(known.implode()))
    return unknown.select(
        pl.lit(None, dtype=pl.Int64).alias("row_number"),
        "load_id",
        (pl.col("detail") if check.column == "vehicle_id" else pl.lit(None, dtype=pl.String)).alias("vehicle_id"),
        pl.lit(check.column).alias("column_name"),
        pl.lit(check.reason).alias("reason"),
        "detail",
    )
