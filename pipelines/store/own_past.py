"""Checks of a vehicle's readings against its own readings before and after: frames in, flags out; never a correction.

Times, odometer and clock are looked at in every load; single corrections only where a load is not a whole history.
"""

import math
from collections.abc import Callable, Mapping

import polars as pl

from pipelines.catalogue.checks import Check, checks

KEYS = ["vehicle_id", "read_at"]
MILE_KM = 1.609344
LEAST_REPEATS = 6  # a value that repeats less often than this is not called stuck
FLAG = {
    "load_id": pl.Int32, "vehicle_id": pl.String, "column_name": pl.String, "reason": pl.String, "detail": pl.String,
}  # fmt: skip


def own_past_flags(rows: pl.DataFrame) -> pl.DataFrame:
    """Flags on times, odometer, clock and circumstances that the neighbours of a reading speak against.

    Args:
        rows: Stored snapshots of some vehicles, with load_id and `new` (of this load), in any order; columns that
            are absent are not checked.

    Returns:
        load_id, vehicle_id, column_name, reason and detail (time and value), on new readings.
    """
    rows = rows.sort(KEYS)
    asked = [check for check in checks() if check.check in CHECKS and check.column in rows.columns]
    return pl.concat([pl.DataFrame(schema=FLAG), *(CHECKS[check.check](rows, check) for check in asked)])


def correction_flags(rows: pl.DataFrame, steps: Mapping[str, float]) -> pl.DataFrame:
    """The same on single corrections.

    Args:
        rows: As of `own_past_flags`.
        steps: Resolution of each correction, by code.
    """
    rows = rows.sort(KEYS)
    codes = {code: step for code, step in steps.items() if code in rows.columns}
    asked = [check for check in checks() if check.check in CORRECTION_CHECKS and codes]
    found = [CORRECTION_CHECKS[check.check](rows, check, codes) for check in asked]
    return pl.concat([pl.DataFrame(schema=FLAG), *found])


def _flags(rows: pl.DataFrame, where: pl.Expr, check: Check, column: str | None = None) -> pl.DataFrame:
    """The new rows where it holds; where only the reading before is new, that one."""
    name = column or check.column
    value = pl.col(name).cast(pl.String) if name in rows.columns else pl.lit("")
    marked = rows.with_columns(where.fill_null(value=False).alias("here"))
    late = _after("here") & ~_after("new")
    return marked.filter(pl.col("new") & (pl.col("here") | late.fill_null(value=False))).select(
        "load_id",
        "vehicle_id",
        pl.lit(name).alias("column_name"),
        pl.lit(check.reason).alias("reason"),
        pl.format("{}: {}", pl.col("read_at").dt.strftime("%Y-%m-%d %H:%M"), value).alias("detail"),
    )


def _read(rows: pl.DataFrame, column: str) -> pl.DataFrame:
    """Rows in which a column was read, with its value and time at the reading before."""
    read = rows.filter(pl.col(column).is_not_null()) if rows[column].null_count() else rows
    return read.with_columns(_before(name).alias(f"{name} before") for name in (column, "read_at"))


def _before(name: str) -> pl.Expr:
    """The vehicle's value at the reading before; rows are sorted by vehicle and time."""
    return pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift()).then(pl.col(name).shift())


def _after(name: str) -> pl.Expr:
    """The vehicle's value at the reading after."""
    return pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift(-1)).then(pl.col(name).shift(-1))


def _days_since() -> pl.Expr:
    return (pl.col("read_at") - pl.col("read_at before")).dt.total_seconds() / 86_400


def _never_falls(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    fell = pl.col(check.column) < pl.col(f"{check.column} before") - float(check.argument)
    return _flags(_read(rows, check.column), fell, check)


def _rate_per_day(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    gain = pl.col(check.column) - pl.col(f"{check.column} before")
    return _flags(_read(rows, check.column), gain > float(check.argument) * (1 + _days_since()), check)


def _miles(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    """From a fall by 1.609 (or the first reading) to the rise by as much (or the last)."""
    read = _read(rows, check.column)
    low, high = 1 - float(check.argument), 1 + float(check.argument)
    value, before = pl.col(check.column), pl.col(f"{check.column} before")
    steady = (value - before).clip(lower_bound=0).median().over("vehicle_id")
    fell = (value * MILE_KM / (before + steady)).is_between(low, high) & (before > 1000)
    rose = (value / (before * MILE_KM + steady)).is_between(low, high) & (before > 1000)
    marked = read.with_columns(fell.fill_null(value=False).alias("fell"), rose.fill_null(value=False).alias("rose"))
    turned = marked.filter(pl.col("fell") | pl.col("rose"))["vehicle_id"].unique()
    marked = marked.filter(pl.col("vehicle_id").is_in(turned.implode()))
    turns = pl.when("fell").then(1).when("rose").then(-1)
    last_turn = turns.forward_fill().over("vehicle_id")
    next_turn = turns.backward_fill().shift(-1).over("vehicle_id")
    inside = (last_turn == 1) | (last_turn.is_null() & (next_turn == -1))
    return _flags(marked.with_columns(inside.alias("inside")), pl.col("inside") & pl.col("new"), check)


def _clock(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    """Since the reading before, or since a restart between the two, a clock can run no longer than the time passed."""
    value, before = pl.col(check.column), pl.col(f"{check.column} before")
    longest = _days_since() * 24 + float(check.argument)
    return _flags(_read(rows, check.column), pl.min_horizontal(value, (value - before).abs()) > longest, check)


def _dip(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    """A real restart counts on from zero; a misread one is followed by what the clock would have come to without it."""
    read = _read(rows, check.column)
    value, before, after = pl.col(check.column), pl.col(f"{check.column} before"), _after(check.column)
    passed = (_after("read_at") - pl.col("read_at before")).dt.total_seconds() / 3600 + float(check.argument)
    dips = (value < before) & (after >= before) & (after - before <= passed)
    judged = _judged_now(read.with_columns(dips.alias("dips")))
    return _flags(judged, pl.col("dips") & pl.col("new"), check)


def _alone(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    far = pl.duration(days=int(check.argument))
    before = ((pl.col("read_at") - _before("read_at")) > far).fill_null(value=True)
    after = ((_after("read_at") - pl.col("read_at")) > far).fill_null(value=True)
    lonely = rows.filter(before & after)["vehicle_id"].unique()
    some = rows.filter(pl.col("vehicle_id").is_in(lonely.implode()))
    return _flags(some, before & after & (pl.len().over("vehicle_id") > 2), check)


def _fahrenheit(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    low, high = (float(bound) for bound in check.argument.split("|"))
    celsius = (pl.col(check.column) - 32) / 1.8
    hot = (pl.col(check.column) > 125) & celsius.is_between(low, high)
    return _flags(rows, hot & pl.col("new"), check)


def _off_step(rows: pl.DataFrame, check: Check, steps: Mapping[str, float]) -> pl.DataFrame:
    """Rows with several values between zero and half a step, where hardly any other row has one."""
    off = [(pl.col(code).abs() < 0.5 * step) & (pl.col(code) != 0) for code, step in steps.items() if step > 0]
    if not off:
        return _flags(rows, pl.lit(value=False), check)
    counted = rows.with_columns(pl.sum_horizontal(off).alias("off"))
    rare = (counted["off"] > 0).mean() or 0.0
    several = pl.col("off") >= int(check.argument)
    return _flags(counted, several & pl.col("new") & pl.lit(float(str(rare)) < 0.2), check)


def _spike(rows: pl.DataFrame, check: Check, steps: Mapping[str, float]) -> pl.DataFrame:
    """Readings further from both neighbours, to one side, than so many times what readings of this kind differ by."""
    found = []
    for code, step in steps.items():
        read = rows.select("load_id", *KEYS, "new", code).drop_nulls(code)
        before, after = pl.col(code) - _before(code), pl.col(code) - _after(code)
        sides = _judged_now(read).with_columns(before.alias("before"), after.alias("after"))
        usual = max(float(str(sides["before"].abs().median() or 0.0)), step, 1e-9)
        out = pl.min_horizontal(pl.col("before").abs(), pl.col("after").abs()) > float(check.argument) * usual
        one_side = pl.col("before").sign() == pl.col("after").sign()
        found.append(_flags(sides, out & one_side & pl.col("new"), check, code))
    return pl.concat(found)


def _stuck(rows: pl.DataFrame, check: Check, steps: Mapping[str, float]) -> pl.DataFrame:
    """Runs of one value over readings in use, too long to be chance.

    A run of n repeats happens by chance at most about p**n, where p is how often this correction repeats itself from
    one reading to the next in all vehicles; so coarse or quiet corrections need a longer run than fine ones.
    """
    used = (pl.col("ignition_hours") != _before("ignition_hours")).fill_null(value=True)
    place = pl.int_range(pl.len(), dtype=pl.Int32)
    same = rows.select(place.alias("place"), *((pl.col(c) == _before(c)).fill_null(value=False) & used for c in steps))
    runs = same.select(
        pl.when(pl.col(c))
        .then(pl.col("place") - pl.when(~pl.col(c)).then("place").forward_fill())
        .otherwise(0)
        .alias(c)
        for c in steps
    )
    often = same.select(pl.col(list(steps)).mean())
    found = []
    for code in steps:
        repeat = max(float(often[code][0] or 0.0), 1e-3)
        needed = max(LEAST_REPEATS, math.log(float(check.argument)) / math.log(repeat)) if repeat < 1 else math.inf
        if (runs[code] >= needed).any():  # flagged once, at the reading at which it can be told
            marked = rows.with_columns(runs[code].alias("run"))
            found.append(_flags(marked, (pl.col("run") == math.ceil(needed)) & pl.col("new"), check, code))
    return pl.concat([pl.DataFrame(schema=FLAG), *found])


def _judged_now(read: pl.DataFrame) -> pl.DataFrame:
    """New readings, and the one before each, which is told apart only now; as of the load that tells."""
    next_new = _after("new").fill_null(value=False)
    by = pl.when(pl.col("new")).then("load_id").otherwise(pl.col("load_id").shift(-1)).alias("load_id")
    return read.with_columns(by, pl.col("new") | next_new)


CHECKS: dict[str, Callable[[pl.DataFrame, Check], pl.DataFrame]] = {
    "never_falls": _never_falls, "rate_per_day": _rate_per_day, "miles": _miles, "clock": _clock, "dip": _dip,
    "alone": _alone, "fahrenheit": _fahrenheit,
}  # fmt: skip
CORRECTION_CHECKS: dict[str, Callable[[pl.DataFrame, Check, Mapping[str, float]], pl.DataFrame]] = {
    "off_step": _off_step, "spike": _spike, "stuck": _stuck,
}  # fmt: skip
