"""Checks of times, odometer and clock against the vehicle's readings before and after: frames in, flags out.

What they say of a reading does not depend on which load brought it; nothing is ever corrected.
"""

from collections.abc import Callable

import polars as pl

from pipelines.catalogue.checks import Check, checks
from pipelines.store.exchanged import MOST_KM_A_DAY, exchanged
from pipelines.store.neighbours import FLAG, flag_rows, value_after, value_before
from pipelines.store.time_of_day import hours_off

MILE_KM = 1.609344
USUAL_GAINS = 3.0  # from one reading to the next, less than which miles must not take off an odometer to be told


def own_past_flags(rows: pl.DataFrame) -> pl.DataFrame:
    """Flags on times, odometer, clock and circumstances that the neighbours of a reading speak against.

    Args:
        rows: Stored snapshots of some vehicles, with load_id, by vehicle and time; columns that are absent are not
            checked.

    Returns:
        load_id, vehicle_id, column_name, reason and detail (time and value).
    """
    asked = [check for check in checks() if check.check in CHECKS and check.column in rows.columns]
    return pl.concat([pl.DataFrame(schema=FLAG), *(CHECKS[check.check](rows, check) for check in asked)])


def _read(rows: pl.DataFrame, column: str) -> pl.DataFrame:
    """Rows in which a column was read, with its value and time at the reading before."""
    read = rows.filter(pl.col(column).is_not_null()) if rows[column].null_count() else rows
    return read.with_columns(value_before(name).alias(f"{name} before") for name in (column, "read_at"))


def _of_vehicles(rows: pl.DataFrame, any_holds: pl.Expr) -> pl.DataFrame:
    """All rows of the vehicles of which any row fulfils a condition."""
    which = rows.filter(any_holds)["vehicle_id"].unique()
    return rows.filter(pl.col("vehicle_id").is_in(which.implode()))


def _days_since() -> pl.Expr:
    return (pl.col("read_at") - pl.col("read_at before")).dt.total_seconds() / 86_400


def _never_falls(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    fell = pl.col(check.column) < pl.col(f"{check.column} before") - float(check.argument)
    return flag_rows(_read(rows, check.column), fell, check)


def _rate_per_day(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    gain = pl.col(check.column) - pl.col(f"{check.column} before")
    return flag_rows(_read(rows, check.column), gain > float(check.argument) * (1 + _days_since()), check)


def _miles(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    """From a fall by 1.609 (or the first reading) to the rise by as much (or the last), or to another break.

    On a young odometer what miles take off is no more than what the vehicle drives: there nothing is told.
    """
    low, high = 1 - float(check.argument), 1 + float(check.argument)
    value, before = pl.col(check.column), pl.col(f"{check.column} before")
    most = (MILE_KM - 1) / USUAL_GAINS  # of an old odometer, what it usually gains
    like_miles = (value * MILE_KM / before).is_between(low, high * (1 + most)) | (
        (value / before).is_between(low * MILE_KM, high * (MILE_KM + most))
    )
    read = _of_vehicles(_read(rows, check.column), like_miles)
    steady = (value - before).clip(lower_bound=0).median().over("vehicle_id")
    old = before * (MILE_KM - 1) > USUAL_GAINS * steady
    fell = old & (value * MILE_KM / (before + steady)).is_between(low, high)
    rose = old & (value / (before * MILE_KM + steady)).is_between(low, high)
    broke = ~(value - before).is_between(0, MOST_KM_A_DAY * (1 + _days_since()))
    marked = read.with_columns(fell.fill_null(value=False).alias("fell"), rose.fill_null(value=False).alias("rose"))
    marked = _of_vehicles(marked, pl.col("fell") | pl.col("rose"))
    turns = pl.when("fell").then(1).when("rose").then(-1).when(broke).then(0)
    last_turn = turns.forward_fill().over("vehicle_id")
    next_turn = turns.backward_fill().shift(-1).over("vehicle_id")
    inside = (last_turn == 1) | (last_turn.is_null() & (next_turn == -1))
    return flag_rows(marked.with_columns(inside.alias("inside")), pl.col("inside"), check)


def _clock(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    """Since the reading before, or since a restart between the two, a clock can run no longer than the time passed."""
    value, before = pl.col(check.column), pl.col(f"{check.column} before")
    longest = _days_since() * 24 + float(check.argument)
    return flag_rows(_read(rows, check.column), pl.min_horizontal(value, (value - before).abs()) > longest, check)


def _dip(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    """A real restart counts on from zero; a misread one is followed by what the clock would have come to without it."""
    read = _read(rows, check.column)
    value, before, after = pl.col(check.column), pl.col(f"{check.column} before"), value_after(check.column)
    passed = (value_after("read_at") - pl.col("read_at before")).dt.total_seconds() / 3600 + float(check.argument)
    dips = (value < before) & (after >= before) & (after - before <= passed)
    return flag_rows(read, dips, check)


def _alone(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    far = pl.duration(days=int(check.argument))
    before = ((pl.col("read_at") - value_before("read_at")) > far).fill_null(value=True)
    after = ((value_after("read_at") - pl.col("read_at")) > far).fill_null(value=True)
    some = _of_vehicles(rows, before & after)
    return flag_rows(some, before & after & (pl.len().over("vehicle_id") > 2), check)


def _fahrenheit(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    low, high = (float(bound) for bound in check.argument.split("|"))
    celsius = (pl.col(check.column) - 32) / 1.8
    hot = (pl.col(check.column) > 125) & celsius.is_between(low, high)
    return flag_rows(rows, hot, check)


CHECKS: dict[str, Callable[[pl.DataFrame, Check], pl.DataFrame]] = {
    "never_falls": _never_falls, "rate_per_day": _rate_per_day, "miles": _miles, "clock": _clock, "dip": _dip,
    "alone": _alone, "fahrenheit": _fahrenheit, "time_of_day": hours_off, "exchanged": exchanged,
}  # fmt: skip
