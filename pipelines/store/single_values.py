"""Checks of single corrections against the vehicle's readings before and after: frames in, flags out.

Only where a load is not a whole history: there the drift stage looks at them.
"""

from collections.abc import Callable
from statistics import NormalDist

import numpy as np
import polars as pl

from pipelines.catalogue.checks import Check, checks
from pipelines.handover import Bools, Float64s, Int64s
from pipelines.store.neighbours import FLAG, KEYS, MINUTE, flag_rows, value_before
from pipelines.threads import in_threads

BACK = 0.5  # of its excursion, the most by which the values before and after a misreading differ
RESTLESS = 1.5  # times the usual change from reading to reading, beyond which a vehicle is judged by its own
OWN_READINGS = 9  # from which a vehicle's own change is known: two changes at a misreading must not tell it
MEDIAN_OF_MEAN = 0.845  # of absolute normal deviates, the median over the mean
TAIL = 0.02  # of the changes: misreadings are fewer, the tail of noise shows there already
HEAVIEST = 1.2  # so that a value ten usual changes off is told whatever the tail
FEW = 5  # changes, more than two misreadings make
NORMAL = NormalDist()
SEVERAL = 3  # corrections of one reading: where more are far off at once, something happened to the vehicle


def value_flags(rows: pl.DataFrame, catalogue: pl.DataFrame) -> pl.DataFrame:
    """Flags on values of single corrections.

    Args:
        rows: Stored snapshots of some vehicles, with load_id, in any order.
        catalogue: code, resolution and neutral of the corrections; those that are absent from rows are not checked.

    Returns:
        load_id, vehicle_id, column_name, reason and detail (time and value).
    """
    rows = rows.sort(KEYS, maintain_order=True)
    known = catalogue.filter(pl.col("code").is_in(rows.columns)).select(
        "code", pl.col("resolution").fill_null(0.0), pl.col("neutral").cast(pl.Float64)
    )
    asked = [check for check in checks() if check.check in CHECKS and known.height]
    return pl.concat([pl.DataFrame(schema=FLAG), *(CHECKS[check.check](rows, check, known) for check in asked)])


def _off_step(rows: pl.DataFrame, check: Check, known: pl.DataFrame) -> pl.DataFrame:
    """Rows with several values between zero and half a step, where hardly any other row has one."""
    steps = known.filter(pl.col("resolution") > 0).select("code", "resolution").iter_rows()
    off = [(pl.col(code).abs() < 0.5 * step) & (pl.col(code) != 0) for code, step in steps]
    if not off:
        return flag_rows(rows, pl.lit(value=False), check)
    counted = rows.with_columns(pl.sum_horizontal(off).alias("off"))
    rare = (counted["off"] > 0).mean() or 0.0
    several = pl.col("off") >= int(check.argument)
    return flag_rows(counted, several & pl.lit(float(str(rare)) < 0.2), check)


def _spike(rows: pl.DataFrame, check: Check, known: pl.DataFrame) -> pl.DataFrame:
    """Single values further from those before and after, which agree, than so many times the usual change.

    Where the correction's changes have a heavier tail than a normal's, by as many times more as it reaches further.
    A vehicle's first value is held against the two after it. Where the module may have begun anew, a value may also lie
    towards neutral. Where several corrections are far off at once, it is the vehicle that changed.
    """
    vehicle = rows["vehicle_id"].rle_id().to_numpy()
    beginnings = rows.with_columns(begun=_begun(rows))["begun"].cum_sum().to_numpy()
    first = np.diff(vehicle, prepend=-1) != 0
    times = float(check.argument)

    def of_one(correction: tuple[str, float, float | None]) -> pl.DataFrame:
        code, step, neutral = correction
        value = rows[code].drop_nulls().cast(pl.Float64).to_numpy()
        rest = np.nan if neutral is None else neutral
        if value.size == rows.height:
            out = _out_and_back(vehicle, first, beginnings, value, step, rest, times)
        else:
            read = np.flatnonzero(rows[code].is_not_null().to_numpy())
            begins = np.diff(vehicle[read], prepend=-1) != 0
            out = read[_out_and_back(vehicle[read], begins, beginnings[read], value, step, rest, times)]
        told = rows.select("load_id", *KEYS, code)[out]
        return told.select("load_id", *KEYS, column_name=pl.lit(code), value=pl.col(code).cast(pl.String))

    every = pl.concat(in_threads(of_one, known.iter_rows()))
    return every.filter(pl.len().over(KEYS) <= SEVERAL).select(
        "load_id",
        "vehicle_id",
        "column_name",
        pl.lit(check.reason).alias("reason"),
        pl.format("{}: {}", pl.col("read_at").dt.strftime(MINUTE), "value").alias("detail"),
    )


def _out_and_back(  # noqa: PLR0917
    vehicle: Int64s, first: Bools, beginnings: Int64s, value: Float64s, step: float, neutral: float, times: float
) -> Int64s:
    """Which of R readings of one correction, by vehicle and time, are spikes.

    Arrays [R] without gaps; `first`: whether a reading is its vehicle's first.
    """
    change = np.abs(np.diff(value, prepend=np.nan))
    change[first] = np.nan
    usual = max(_usual_change(change[~first], step), step, 1e-9)
    large = change > times * usual
    at = np.flatnonzero((large | first)[:-1] & large[1:])  # no other can be: both neighbours are further off than that
    further = np.minimum(at + 2, len(value) - 1)
    there = np.where((further == at + 2) & (vehicle[further] == vehicle[at]), value[further], np.nan)
    other, after = np.where(first[at], there, value[at - 1]), value[at + 1]
    begun = np.where(~first[at] & (beginnings[at - 1] < beginnings[at]), neutral, np.nan)
    highest, lowest = (most(most(other, after), begun) for most in (np.fmax, np.fmin))
    far = np.maximum(value[at] - highest, lowest - value[at])
    out = (far > times * usual) & (np.abs(other - after) < BACK * far)
    at, far = at[out], far[out]
    if not at.size:
        return at
    with_spikes = np.zeros(int(vehicle[-1]) + 1, np.bool_)
    with_spikes[vehicle[at]] = True
    theirs = with_spikes[vehicle]
    own = pl.DataFrame({"vehicle": vehicle[theirs], "change": change[theirs]}).select(
        pl.when(pl.len() >= OWN_READINGS).then(pl.col("change").drop_nans().median()).over("vehicle").fill_null(0.0)
    )
    moved = np.zeros(len(value))
    moved[theirs] = own.to_series().to_numpy()
    usual *= _tail(change[~first], usual)
    misread: Int64s = at[far > times * np.maximum(usual, moved[at] / RESTLESS)]
    return misread


def _usual_change(change: Float64s, step: float) -> float:
    """Change from reading to reading that half of them exceed if they are normal; whole steps do not make it jump.

    From the mean of the changes, of which large ones count as five medians.
    """
    if not change.size:
        return 0.0
    most = 5 * (float(np.median(change)) + step)
    return MEDIAN_OF_MEAN * float(np.minimum(change, most).mean())


def _tail(change: Float64s, usual: float) -> float:
    """How many times further than a normal's the tail of the changes reaches, from 1 to `HEAVIEST`.

    Told from the change that one in fifty exceeds, and at least a few: some misreadings must not hide themselves.
    """
    beyond = max(round(TAIL * change.size), FEW)
    if beyond >= change.size / 2:
        return 1.0
    there = float(np.partition(change, change.size - beyond)[change.size - beyond])
    normal = NORMAL.inv_cdf(1 - beyond / change.size / 2) / NORMAL.inv_cdf(0.75)
    return min(max(1.0, there / (usual * normal)), HEAVIEST)


def _begun(rows: pl.DataFrame) -> pl.Expr:
    """Whether another module, another calibration, a restarted clock or counter lies between a reading and the last."""
    other = [pl.col(name) != value_before(name) for name in ("module", "calibration") if name in rows.columns]
    counters = ("ignition_hours", "warmups_since_clear", "km_since_clear")
    fell = [pl.col(name) < value_before(name) for name in counters if name in rows.columns]
    return pl.any_horizontal(pl.lit(value=False), *(sign.fill_null(value=False) for sign in (*other, *fell)))


CHECKS: dict[str, Callable[[pl.DataFrame, Check, pl.DataFrame], pl.DataFrame]] = {
    "off_step": _off_step, "spike": _spike,
}  # fmt: skip
