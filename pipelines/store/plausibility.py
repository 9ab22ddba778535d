"""Looks at new rows beside what is stored, for references and the vehicle's own past; gives flags, changes nothing."""

from datetime import datetime

import duckdb
import polars as pl

from pipelines.catalogue.checks import Check, checks
from pipelines.catalogue.corrections import built_in_components, built_in_corrections, overridden
from pipelines.catalogue.tables import drop_tables
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.own_past import own_past_flags
from pipelines.store.schema import columns_of
from pipelines.store.single_values import value_flags

FLAGS = {
    "row_number": pl.Int64, "load_id": pl.Int32, "vehicle_id": pl.String, "column_name": pl.String, "reason": pl.String,
    "detail": pl.String,
}  # fmt: skip


BULK_ROWS = 200_000  # a load of more snapshots is a history: its single corrections are left to the drift stage
BEGINNINGS = ["ignition_hours", "warmups_since_clear", "km_since_clear", "module", "calibration"]
AROUND_DAYS = {"light": 400, "corrections": 63}  # how far from the new readings their neighbours are looked for


def flag_implausible(connection: duckdb.DuckDBPyConnection, *, first_load: int, loaded_at: datetime) -> pl.DataFrame:
    """Flags on the rows of this load: row_number (null), load_id, vehicle_id, column_name, reason, detail."""
    found = [_reference(connection, check, first_load) for check in checks() if check.check == "reference"]
    found += [
        _wrong_clock(connection, check, first_load, loaded_at) for check in checks() if check.check in CLOCK_CHECKS
    ]
    past = _own_past(connection, first_load).select(pl.lit(None, dtype=pl.Int64).alias("row_number"), *list(FLAGS)[1:])
    return pl.concat([pl.DataFrame(schema=FLAGS), *found, past])


def _own_past(connection: duckdb.DuckDBPyConnection, first_load: int) -> pl.DataFrame:
    new = one_row(connection, "SELECT count(*) FROM snapshots WHERE load_id >= ?", [first_load])[0]
    if not new:
        return pl.DataFrame(schema=FLAGS)
    flags = own_past_flags(_around(connection, ["odometer_km", "ignition_hours", "coolant_c"], "light", first_load))
    if new > BULK_ROWS:
        return flags
    own = frame_of(connection, "SELECT * EXCLUDE (load_id) FROM corrections")
    stored = set(columns_of(connection, "snapshots"))
    catalogue = overridden(built_in_corrections(), own).filter(pl.col("code").is_in(stored))
    rows = _around(connection, [*BEGINNINGS, *catalogue["code"]], "corrections", first_load)
    return pl.concat([flags, value_flags(rows, catalogue)])


def _around(connection: duckdb.DuckDBPyConnection, columns: list[str], which: str, first_load: int) -> pl.DataFrame:
    """The new readings and those near them in time, of the same vehicles."""
    days = AROUND_DAYS[which]
    names = ", ".join(quoted(name) for name in ["vehicle_id", "read_at", "load_id", *columns])
    return frame_of(
        connection,
        f"WITH new AS (SELECT vehicle_id, read_at FROM snapshots WHERE load_id >= $first) "
        f"SELECT {names}, load_id >= $first AS new FROM snapshots SEMI JOIN new USING (vehicle_id) "
        f"WHERE read_at >= (SELECT min(read_at) FROM new) - INTERVAL {days} DAY "
        f"AND read_at <= (SELECT max(read_at) FROM new) + INTERVAL {days} DAY",
        first=first_load,
    )


# Readings whose time cannot be, by more than `days`. A clock that is off for most of them is the store's own.
CLOCK_CHECKS = {
    "future": "WITH late AS (SELECT load_id, vehicle_id, read_at, read_at > $loaded_at + to_days($days) AS out "
    "FROM snapshots WHERE load_id >= $first) SELECT * FROM late WHERE out AND (SELECT avg(out::INT) FROM late) < 0.5",
    "before_service": "SELECT s.* FROM snapshots s JOIN vehicles USING (vehicle_id) WHERE s.load_id >= $first "
    "AND s.read_at < in_service_on::TIMESTAMPTZ - to_days($days) AND $loaded_at IS NOT NULL",
}


def _wrong_clock(
    connection: duckdb.DuckDBPyConnection, check: Check, first_load: int, loaded_at: datetime
) -> pl.DataFrame:
    return frame_of(
        connection,
        "SELECT NULL::BIGINT AS row_number, load_id, vehicle_id, $column AS column_name, $reason AS reason, "
        f"strftime(read_at, '%Y-%m-%d %H:%M') AS detail FROM ({CLOCK_CHECKS[check.check]}) ORDER BY ALL",
        first=first_load, loaded_at=loaded_at, days=int(check.argument), column=check.column, reason=check.reason,
    )  # fmt: skip


def _reference(connection: duckdb.DuckDBPyConnection, check: Check, first_load: int) -> pl.DataFrame:
    """One flag per file and value that no row of the table referred to has."""
    values = frame_of(
        connection,
        f"SELECT DISTINCT load_id, {check.column} AS detail FROM {check.table} "
        f"WHERE load_id >= $first AND {check.column} IS NOT NULL ORDER BY ALL",
        first=first_load,
    )
    if values.is_empty():
        return pl.DataFrame(schema=FLAGS)
    key = drop_tables()[check.argument].key[0]
    known = frame_of(connection, f"SELECT {key} FROM {check.argument}")[key]
    if check.argument == "components":
        known = pl.concat([known, built_in_components()[key]])
    elif check.argument == "families" and known.is_empty():
        return pl.DataFrame(schema=FLAGS)
    unknown = values.filter(~pl.col("detail").is_in(known.implode()))
    return unknown.select(
        pl.lit(None, dtype=pl.Int64).alias("row_number"),
        "load_id",
        (pl.col("detail") if check.column == "vehicle_id" else pl.lit(None, dtype=pl.String)).alias("vehicle_id"),
        pl.lit(check.column).alias("column_name"),
        pl.lit(check.reason).alias("reason"),
        "detail",
    )
