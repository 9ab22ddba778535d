"""Readings stamped a few hours off: told by the time of day at which a vehicle and its fleet are read otherwise."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.catalogue.checks import Check
from pipelines.flags.neighbours import FLAG, MINUTE
from pipelines.handover import Bools, Float64s, Int64s

BINS = 48  # of a day
SHIFTS = np.setdiff1d(np.arange(-12, 13), [0])  # hours that a clock may be wrong by
FLEET_WEIGHT = 10.0  # readings of a vehicle that weigh as much as those of its whole fleet
KERNEL = (0.25, 0.5, 0.25)  # smooths counts over neighbouring bins
ROUNDING = 1e-6  # of a reading, more than sums of floats are off by
RARE = 0.1  # of the readings at the vehicle's usual hour: a month without an hour so seldom is not looked at closer


def hours_off(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    """Flags on readings whose times fit the others much better some hours earlier or later.

    A vehicle's readings of one month are looked at together: the likelihood of their times of day, shifted by any whole
    hours alike, over that as they are stamped. The times of day come from the vehicle's other readings and, with a
    fixed weight, the whole fleet's; where vehicles are read at any time, nothing can be told and nothing is said.
    Looked at twice: what is off must not make its hours look usual.

    Args:
        rows: Stored snapshots of some vehicles, with load_id, sorted by vehicle and time.
        check: Its argument is how many times likelier the shifted times must be.
    """
    if rows.is_empty():
        return pl.DataFrame(schema=FLAG)
    bins, vehicle = _bins(rows), _numbered(_changes(rows["vehicle_id"]))
    unit = _numbered(_changes(rows["read_at"].dt.month()) | (np.diff(vehicle, prepend=-1) != 0))
    off = np.zeros(bins.size, np.int64)
    for _ in range(2):
        off = _hours_ahead(vehicle, unit, bins, usual=off == 0, times=float(check.argument))
        if not off.any():
            break
    read = pl.col("read_at").dt.strftime(MINUTE)
    return (
        rows.with_columns(off=off)
        .filter(pl.col("off") != 0)
        .select(
            "load_id",
            "vehicle_id",
            pl.lit(check.column).alias("column_name"),
            pl.lit(check.reason).alias("reason"),
            pl.format("{}: as if the clock were {} h ahead", read, "off").alias("detail"),
        )
    )


@dataclass(frozen=True, kw_only=True)
class _Hours:
    """When a fleet is read.

    fleet: [BINS] share of its readings.
    open: [BINS] how much of what is shared with a bin from those beside it may lie there, 0 to 1: little just outside
        the hours at which the fleet is read, if it has readings enough to show where they end.
    """

    fleet: Float64s
    open: Float64s


def _hours(counts: Int64s) -> _Hours:
    """From the fleet's readings in each bin."""
    shared = _smooth(counts)
    most = counts + 2.0 * np.sqrt(counts) + 3.0
    fleet = np.minimum(shared, most) + 1.0
    return _Hours(fleet=fleet / fleet.sum(), open=np.minimum(1.0, most / np.maximum(shared, 1.0)))


def _hours_ahead(vehicle: Int64s, unit: Int64s, bins: Int64s, *, usual: Bools, times: float) -> Int64s:
    """[readings] hours by which the clock seems to be ahead in the reading's unit; 0: not told.

    What is usual is counted over the readings so marked.
    """
    every = _counted(vehicle[usual], bins[usual], groups=int(vehicle[-1]) + 1)
    hours = _hours(every.sum(axis=0))
    asked = np.flatnonzero(_perhaps_rare(every, hours, vehicle, unit, bins))
    which = _numbered(np.diff(unit[asked], prepend=-1) != 0)
    counted = usual[asked]
    own = _counted(which[counted], bins[asked][counted], groups=int(which.max(initial=-1)) + 1)
    suspect = np.zeros(len(own), np.bool_)
    suspect[which[_rare(every, own, hours, vehicle[asked], which, bins[asked])]] = True
    asked, own = asked[suspect[which]], own[suspect]
    which = _numbered(np.diff(unit[asked], prepend=-1) != 0)
    first = asked[np.flatnonzero(np.diff(which, prepend=-1))]
    counts = _counted(which, bins[asked], groups=len(own))
    other = every[vehicle[first]] - own
    density = _smooth(other) * hours.open + FLEET_WEIGHT * hours.fleet
    density = np.log(density / density.sum(axis=1, keepdims=True))
    moved = np.stack([np.roll(density, shift * BINS // 24, axis=1) for shift in SHIFTS])
    ratio = ((moved - density) * counts).sum(axis=2)
    told = np.logaddexp.reduce(ratio, axis=0) - np.log(len(SHIFTS)) >= np.log(times)
    off = np.zeros(bins.size, np.int64)
    off[asked] = np.where(told, SHIFTS[ratio.argmax(axis=0)], 0)[which]
    return off


def _counted(group: Int64s, bins: Int64s, *, groups: int) -> Int64s:
    """[groups, BINS] readings of each group in each bin."""
    return np.bincount(group * BINS + bins, minlength=groups * BINS).reshape(-1, BINS)


def _bins(rows: pl.DataFrame) -> Int64s:
    """[R] bin of the day of each reading."""
    seconds = rows["read_at"].dt.epoch("s").to_numpy() % 86_400
    return (seconds * BINS // 86_400).astype(np.int64)


def _changes(column: pl.Series) -> Bools:
    """[R] whether a row differs from the one before; the first does."""
    return (column != column.shift()).fill_null(value=True).to_numpy()


def _numbered(begins: Bools) -> Int64s:
    """[R] number of the run that a row is in, from 0."""
    return np.cumsum(begins, dtype=np.int64) - 1


def _smooth(counts: Int64s) -> Float64s:
    """[.., BINS] counts shared with the neighbouring bins, around the clock."""
    left, middle, right = KERNEL
    shared: Float64s = left * np.roll(counts, 1, -1) + middle * counts + right * np.roll(counts, -1, -1)
    return shared


def _perhaps_rare(every: Int64s, hours: _Hours, vehicle: Int64s, unit: Int64s, bins: Int64s) -> Bools:
    """[readings] whether any reading of its unit is rare even if all of the unit are counted at its hour.

    No rare reading is missed, and most units of most fleets need no closer look.
    """
    there = _smooth(every) * hours.open + FLEET_WEIGHT * hours.fleet
    margin = there - RARE * there.max(axis=1, keepdims=True)
    size = np.bincount(unit)
    perhaps = margin.ravel()[vehicle * BINS + bins] < max(KERNEL) * size[unit] + ROUNDING
    near = np.zeros(size.size, np.bool_)
    near[unit[perhaps]] = True
    asked: Bools = near[unit]
    return asked


def _rare(every: Int64s, own: Int64s, hours: _Hours, vehicle: Int64s, unit: Int64s, bins: Int64s) -> Bools:  # noqa: PLR0917
    """[readings] whether the vehicle, but for the reading's own month, and its fleet are seldom read at its hour."""
    highest = (_smooth(every) * hours.open + FLEET_WEIGHT * hours.fleet).max(axis=1)
    there = FLEET_WEIGHT * hours.fleet[bins]
    for share, aside in zip(KERNEL, (-1, 0, 1), strict=True):
        at = (bins + aside) % BINS
        there += share * hours.open[bins] * (every[vehicle, at] - own[unit, at])
    seldom: Bools = there < RARE * highest[vehicle]
    return seldom
