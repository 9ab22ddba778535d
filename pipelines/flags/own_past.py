"""Checks of times, odometer and clock against the vehicle's readings before and after: frames in, flags out.

What they say of a reading does not depend on which load brought it; nothing is ever corrected.
"""

from collections.abc import Callable

import polars as pl

from pipelines.catalogue.checks import Check, checks
from pipelines.flags.neighbours import FLAG, flag_rows, value_after, value_before
from pipelines.flags.time_of_day import hours_off

MILE_KM = 1.609344
MOST_KM_A_DAY = 2500.0
LIKE_MILES = 1.5  # times the value before: less is no change from miles to kilometres
ROUNDED_KM = 5.0  # by which whole miles may be off, and as much as an odometer may run back unnoticed
ROUGHLY = 0.03  # of an odometer, by which miles may seem to be off at one end, where they fit at the other
USUAL_GAINS = 3.0  # from one reading to the next, less than which miles must not take off an odometer to be told
NEAR_TURN = 9  # readings from a change to miles or back without the other; as many as are judged again by a load


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
    """From a fall by 1.609 to the rise by as much, at one of which what was driven is what the vehicle usually drives.

    Where the other is missing (an odometer set back by such a share looks alike), readings near this one are told. On a
    young odometer what miles take off is no more than what the vehicle drives: there nothing is told.
    """
    value, before = pl.col(check.column), pl.col(f"{check.column} before")
    read = _of_vehicles(_read(rows, check.column), (value < before) | (value > LIKE_MILES * before))
    usual = ((value - before).clip(lower_bound=0) / _days_since()).median().over("vehicle_id") * _days_since()
    old = before * (MILE_KM - 1) > USUAL_GAINS * usual
    driven = pl.when(value < before).then(value * MILE_KM - before).otherwise(value - before * MILE_KM)
    sure = old & driven.is_between(-ROUNDED_KM, ROUNDED_KM + float(check.argument) * usual)
    about = old & (driven - usual).abs().le(ROUGHLY * before * pl.when(value < before).then(1.0).otherwise(MILE_KM))
    broke = ~(value - before).is_between(0, MOST_KM_A_DAY * (1 + _days_since()))
    marked = read.with_columns(sure=sure, about=sure | about, fell=value < before)
    turn = pl.when("about", "fell").then(1).when("about").then(-1).when(broke).then(0)
    marked = _of_vehicles(marked, pl.col("sure")).with_columns(turn=turn, nth=pl.int_range(pl.len()))
    turns = {name: pl.when(pl.col("turn").is_not_null()).then(name) for name in ("turn", "sure", "nth")}
    last, last_sure, last_nth = (name.forward_fill().over("vehicle_id") for name in turns.values())
    after, after_sure, after_nth = (name.backward_fill().shift(-1).over("vehicle_id") for name in turns.values())
    both = (last == 1) & (after == -1) & (last_sure | after_sure)
    since_fall = (last == 1) & last_sure & (pl.col("nth") - last_nth < NEAR_TURN)
    until_rise = last.is_null() & (after == -1) & after_sure & (after_nth - pl.col("nth") <= NEAR_TURN)
    inside = pl.any_horizontal(told.fill_null(value=False) for told in (both, since_fall, until_rise))
    return flag_rows(marked.with_columns(inside=inside), pl.col("inside"), check)


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
    "alone": _alone, "fahrenheit": _fahrenheit, "time_of_day": hours_off,
}  # fmt: skip
