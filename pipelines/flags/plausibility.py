"""Looks at new rows beside what is stored, for references and the vehicle's own past; gives flags, changes nothing."""

from datetime import datetime
from functools import partial

import duckdb
import numpy as np
import polars as pl

from pipelines.catalogue.checks import Check, checks
from pipelines.catalogue.corrections import built_in_components
from pipelines.catalogue.tables import drop_tables
from pipelines.flags.neighbours import FLAG, KEYS, MINUTE
from pipelines.flags.own_past import CHECKS as OWN_PAST
from pipelines.flags.own_past import own_past_flags
from pipelines.flags.single_values import CHECKS as SINGLE_VALUES
from pipelines.flags.single_values import value_flags
from pipelines.store.bringing import with_what_lies_there
from pipelines.store.catalogue import catalogue_of
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.schema import columns_of
from pipelines.threads import in_threads

FLAGS = {
    "row_number": pl.Int64, "load_id": pl.Int32, "vehicle_id": pl.String, "column_name": pl.String, "reason": pl.String,
    "detail": pl.String,
}  # fmt: skip
BULK_ROWS = 200_000  # a load of more snapshots is a history: its single corrections are left to the drift stage
COUNTERS = ["odometer_km", "ignition_hours", "coolant_c"]
BEGINNINGS = ["ignition_hours", "warmups_since_clear", "km_since_clear", "module", "calibration"]
AROUND = "400 DAY"  # how far in time from the new readings their neighbours are looked for
JUDGED = {"counters": 9, "corrections": 2}  # readings of a vehicle before and after its new ones, judged with them
TOLD_OF = {"counters": set(OWN_PAST), "corrections": set(SINGLE_VALUES)}
BESIDE = 7  # readings before and after those that are judged, which they are held against


def flag_implausible(connection: duckdb.DuckDBPyConnection, *, first_load: int, loaded_at: datetime) -> pl.DataFrame:
    """Flags on the rows of this load, and on those before and after them that are told apart only now.

    Flags on the latter that do not hold any more, since a reading came between or took the place of another, are
    taken back: what is flagged depends on what is stored, not on the order in which it came.

    Returns:
        row_number (null), load_id (of the flagged row), vehicle_id, column_name, reason, detail; of flags that were not
        there.
    """
    found = [_reference(connection, check, first_load) for check in checks() if check.check == "reference"]
    found += [
        _wrong_clock(connection, check, first_load, loaded_at) for check in checks() if check.check in CLOCK_CHECKS
    ]
    return pl.concat([pl.DataFrame(schema=FLAGS), *found, _with_row_number(_own_past(connection, first_load))])


def _with_row_number(flags: pl.DataFrame) -> pl.DataFrame:
    return flags.select(pl.lit(None, dtype=pl.Int64).alias("row_number"), *list(FLAGS)[1:])


def judge_again(connection: duckdb.DuckDBPyConnection, touched: pl.DataFrame) -> pl.DataFrame:
    """Flags on the readings around some that stand no more, or others in their place; those that hold no more go.

    Args:
        connection: Inside a transaction.
        touched: vehicle_id and read_at of these readings.

    Returns:
        As `flag_implausible`.
    """
    if touched.is_empty():
        return pl.DataFrame(schema=FLAGS)
    first, last = touched.select(first=pl.col("read_at").min(), last=pl.col("read_at").max()).row(0)
    connection.register("theirs", touched)
    rows = _readings_of(connection, "theirs", "false", first=first, last=last)
    connection.unregister("theirs")
    return _with_row_number(_flags_near(connection, _beside(rows, touched)))


def judge_references(connection: duckdb.DuckDBPyConnection, *, now: datetime) -> pl.DataFrame:
    """Flags on values that no row of the table referred to has any more; those that such a row held against go.

    Returns:
        As `flag_implausible`; of all loads, those that are not stored yet.
    """
    what = ["load_id", "vehicle_id", "column_name", "reason", "detail"]
    stored = frame_of(connection, f"SELECT rowid AS stored_row, {', '.join(what)} FROM flags WHERE row_number IS NULL")
    unknown = [_reference(connection, check, 0) for check in checks() if check.check == "reference"]
    for check in checks():
        if check.check == "before_service":
            told = stored.filter(pl.col("reason") == check.reason)
            _delete(connection, told.join(_wrong_clock(connection, check, 0, now), on=what, how="anti"))
    return pl.concat([pl.DataFrame(schema=FLAGS), *unknown]).join(stored, on=what, how="anti", nulls_equal=True)


def _beside(rows: pl.DataFrame, touched: pl.DataFrame) -> pl.DataFrame:
    """Rows with `new` where they stand at a touched time, or next to it."""
    both = pl.concat([rows.with_columns(gone=False), touched.with_columns(gone=True)], how="diagonal").sort(
        *KEYS, "gone"
    )
    beside = [pl.col("gone").shift(by).over("vehicle_id").fill_null(value=False) for by in (1, -1)]
    return both.with_columns(new=pl.any_horizontal(beside)).filter(~pl.col("gone")).drop("gone").rechunk()


def _own_past(connection: duckdb.DuckDBPyConnection, first_load: int) -> pl.DataFrame:
    every = with_what_lies_there(connection, "snapshots")
    new, oldest, first, last = one_row(
        connection,
        f"SELECT count(*), (SELECT min(load_id) FROM {every}), min(read_at), max(read_at) FROM snapshots "
        "WHERE load_id >= ?",
        [first_load],
    )
    if not new:
        return pl.DataFrame(schema=FLAG)
    theirs = (
        "" if oldest >= first_load else f"(SELECT DISTINCT vehicle_id FROM snapshots WHERE load_id >= {first_load})"
    )
    rows = _readings_of(connection, theirs, f"load_id >= {first_load}", first=first, last=last)
    return _flags_near(connection, rows)


def _flags_near(connection: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> pl.DataFrame:
    """Flags on the new ones of these rows, and on those before and after them."""
    new = rows["new"].sum()
    if not new:
        return pl.DataFrame(schema=FLAG)
    looks = {"counters": partial(own_past_flags, rows)}
    if new <= BULK_ROWS:
        looks["corrections"] = partial(_single_values, connection, _near(rows, JUDGED["corrections"] + BESIDE))
    found = in_threads(lambda look: look(), looks.values())
    return pl.concat(
        _changed(connection, flags, _near(rows, JUDGED[which]), TOLD_OF[which])
        for which, flags in zip(looks, found, strict=True)
    )


def _single_values(connection: duckdb.DuckDBPyConnection, near: pl.DataFrame) -> pl.DataFrame:
    stored = columns_of(connection, "snapshots")
    catalogue = catalogue_of(connection).filter(pl.col("code").is_in(list(stored)))
    return value_flags(_values(connection, [*BEGINNINGS, *catalogue["code"]], near), catalogue)


def _readings_of(
    connection: duckdb.DuckDBPyConnection, vehicles: str, new: str, *, first: datetime, last: datetime
) -> pl.DataFrame:
    """Times and counters of readings of some vehicles from long before `first` to long after `last`.

    `vehicles`: A relation with vehicle_id, as SQL; none: all vehicles. `new`: which of the readings are, as SQL.
    """
    names = ", ".join(quoted(name) for name in [*KEYS, "load_id", *COUNTERS])
    theirs = f"SEMI JOIN {vehicles} v USING (vehicle_id)" if vehicles else ""
    every = with_what_lies_there(connection, "snapshots", vehicles)
    rows = frame_of(
        connection,
        f"SELECT {names}, {new} AS new FROM {every} {theirs} "
        f"WHERE read_at BETWEEN $first - INTERVAL {AROUND} AND $last + INTERVAL {AROUND}",
        first=first, last=last,
    )  # fmt: skip
    return _by_vehicle_and_time(rows)


def _by_vehicle_and_time(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows sorted; those of each load lie so already, and a vehicle's later loads hold its later readings as a rule."""
    run = rows["vehicle_id"].rle()
    vehicle = run.struct.field("value").rank("dense").to_numpy().astype(np.int32)
    if (np.diff(vehicle) < 0).any():
        rows = rows[np.argsort(np.repeat(vehicle, run.struct.field("len").to_numpy()), kind="stable")]
    back = (pl.col("vehicle_id") == pl.col("vehicle_id").shift()) & (pl.col("read_at") < pl.col("read_at").shift())
    return rows.sort(KEYS) if rows.select(back.any()).item() else rows.rechunk()


def _near(rows: pl.DataFrame, readings: int) -> pl.DataFrame:
    """vehicle_id, low, high: the times of the first and last reading within so many of each vehicle's new ones."""
    length = rows["vehicle_id"].rle().struct.field("len").to_numpy()
    end = np.cumsum(length, dtype=np.int64)
    new = np.flatnonzero(rows["new"].to_numpy())
    vehicle, first = np.unique(np.repeat(np.arange(length.size), length)[new], return_index=True)
    last = np.append(first[1:], new.size) - 1
    low = np.maximum(new[first] - readings, (end - length)[vehicle])
    high = np.minimum(new[last] + readings, end[vehicle] - 1)
    times = rows["read_at"]
    return pl.DataFrame({"vehicle_id": rows["vehicle_id"].gather(low), "low": times[low], "high": times[high]})


def _values(connection: duckdb.DuckDBPyConnection, columns: list[str], near: pl.DataFrame) -> pl.DataFrame:
    names = ", ".join(f"s.{quoted(name)}" for name in [*KEYS, "load_id", *columns])
    connection.register("near", near)
    every = with_what_lies_there(connection, "snapshots", "near")
    values = frame_of(
        connection,
        f"SELECT {names} FROM {every} s JOIN near USING (vehicle_id) WHERE s.read_at BETWEEN low AND high "
        "AND s.read_at BETWEEN $first AND $last",  # which lets row groups be skipped
        first=near["low"].min(),
        last=near["high"].max(),
    )
    connection.unregister("near")
    return values


def _changed(
    connection: duckdb.DuckDBPyConnection, flags: pl.DataFrame, judged: pl.DataFrame, which: set[str]
) -> pl.DataFrame:
    """Of flags on the readings that are judged, those not stored yet; stored ones that do not hold are deleted."""
    minute = pl.col("detail").str.head(16)
    low, high = (pl.col(name).dt.strftime(MINUTE) for name in ("low", "high"))
    inside = flags.join(judged, on="vehicle_id").filter(minute.is_between(low, high)).select(flags.columns)
    known = frame_of(
        connection, "SELECT rowid AS stored_row, * FROM flags WHERE reason IN (SELECT unnest($reasons))",
        reasons=[check.reason for check in checks() if check.check in which],
    ).join(judged, on="vehicle_id").filter(minute.is_between(low, high))  # fmt: skip
    what = ["load_id", "vehicle_id", "column_name", "reason", "detail"]
    _delete(connection, known.join(inside, on=what, how="anti"))
    return inside.join(known, on=what, how="anti", maintain_order="left")


def _delete(connection: duckdb.DuckDBPyConnection, flags: pl.DataFrame) -> None:
    gone = flags["stored_row"].to_list()
    connection.execute("DELETE FROM flags WHERE rowid IN (SELECT unnest($gone::BIGINT[]))", {"gone": gone})


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
