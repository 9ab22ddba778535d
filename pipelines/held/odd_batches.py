"""What is known of one column, and which of its batches look odd enough to be judged in full: arrays in, codes out.

Judging costs many times what looking costs; so on a large fleet the likelihoods are asked only of batches whose
readings lie on their vehicles' levels as a slip would have them, or nearly so.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numba
import numpy as np

from pipelines.handover import Bools, Float64s, Int64s
from pipelines.held.levels import courses_around, family_levels
from pipelines.held.readings import COUNTERS, Measured, Readings, Usual
from pipelines.held.slips import Slip, slips_of

VEHICLES = 4  # from which one column of a batch can be judged: three odd vehicles are findings about vehicles
TOLD = 8.0  # sigmas that the slope of a slip must be off for it to be told by the slope: chance looks odd often else
TELLING, MOSTLY = (
    4.0,
    0.5,
)  # sigmas that a slip moves a reading by, and share of such readings that righting brings nearer
ENOUGH = 8  # readings of a group that hardly scatter, before that says something


@dataclass(frozen=True, kw_only=True)
class Learned:
    """What is known of one column: its healthy scatter, each vehicle's peers (level, spread [V]), odd batches."""

    column: Measured
    scale: float
    floor: float
    peer_level: Float64s
    peer_scale: Float64s
    odd: Mapping[Slip, Int64s]  # codes of the batches that may have it


def learned_of(readings: Readings, column: Measured, batch: Int64s, groups: Int64s, *, every: bool) -> Learned:
    """What is known of one column of all readings; `every`: no batch is looked for, since all are judged.

    Args:
        readings: All readings.
        column: Which.
        batch: Code of the batch of each row.
        groups: Code of the part of a batch (a reader, a week) of each row.
        every: Whether all batches are judged anyway.
    """
    x = readings.values(column.name)
    start, vehicle = readings.start, readings.vehicle
    if column.name in COUNTERS:
        courses = np.arange(0) if every else _odd_courses(readings, x, groups, batch)
        odd = dict.fromkeys(slips_of(column.unit), courses)
        nothing = np.full(len(start) - 1, np.nan)
        return Learned(column=column, scale=1.0, floor=0.0, peer_level=nothing, peer_scale=nothing, odd=odd)
    usual = readings.usual(column)
    rough, scale, floor = usual.level, usual.scale, usual.floor
    level, spread = family_levels(rough, readings.family, readings.depot)
    odd = {} if every else _odd_slopes(x, column, usual, vehicle, groups, batch)
    peer_scale = np.fmax(spread, scale)
    return Learned(column=column, scale=scale, floor=floor, peer_level=level, peer_scale=peer_scale, odd=odd)


@numba.njit(cache=True, nogil=True)
def _slope_sums(x, level, vehicle, group, sums):  # type: ignore[no-untyped-def]
    for r in range(len(x)):
        m = level[vehicle[r]]
        if not np.isnan(x[r]) and not np.isnan(m):
            at = sums[group[r]]
            at[0] += 1
            at[1] += x[r]
            at[2] += m
            at[3] += x[r] * m
            at[4] += m * m
            at[5] += x[r] * x[r]
            at[6] += x[r] != 0


@numba.njit(cache=True, nogil=True)
def _nearer_sums(x, level, vehicle, group, wanted, factor, offset, telling):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """[G, 2] of wanted groups: readings that the slip would move by `telling`, and how many of them righting mends."""
    sums = np.zeros((len(wanted), 2))
    for r in range(len(x)):
        m = level[vehicle[r]]
        if not wanted[group[r]] or np.isnan(x[r]) or np.isnan(m):
            continue
        righted = x[r] * factor + offset
        if max(abs(righted - x[r]), abs(m - (m - offset) / factor)) >= telling:
            sums[group[r], 0] += 1
            sums[group[r], 1] += abs(righted - m) < abs(x[r] - m)
    return sums


def _odd_slopes(  # noqa: PLR0917
    x: Float64s, column: Measured, usual: Usual, vehicle: Int64s, groups: Int64s, batch: Int64s
) -> dict[Slip, Int64s]:
    """Batches with a group whose readings lie on their vehicles' levels as a slip would have them, or nearly so.

    By the slope of readings on levels, through zero and among vehicles: both are 1 in health, and after a shift of all
    the second is. Where vehicles are alike it says nothing. What no slope shows: hardly any scatter, or far too much.
    """
    sums = np.zeros((int(groups.max()) + 1, 7))
    _slope_sums(x, usual.level, vehicle, groups, sums)
    n, sx, sm, sxm, smm, sxx, other = sums.T
    variance = usual.scale**2
    with np.errstate(invalid="ignore", divide="ignore"):
        slope, spread = sxm / smm, smm - sm * sm / n
        among = (sxm - sx * sm / n) / spread
        alike = spread / n < 4 * variance
        hardly = (other >= ENOUGH) & (sxx / other < 0.02 * variance)  # of those at zero, a slip says nothing
        much = (n >= VEHICLES) & (sxx / n > 25 * (variance + smm / n))
        odd: dict[Slip, Bools] = {}
        for slip in slips_of(column.unit):
            factor = 1 / slip.factor
            through = factor * (1 - slip.offset * sm / smm)
            far = np.abs(1 - through)
            told = np.sqrt(variance / smm) < far / TOLD
            near = np.abs(slope - through) < np.where(alike, 0.2, 0.5) * far
            lies = told & near & (alike | (np.abs(among - factor) < 0.5 * max(abs(1 - factor), 0.6)))
            odd[slip] = hardly
            if lies.any() or much.any():  # a few vehicles that are far off can make a slope, and a scatter
                how = (slip.factor, slip.offset, TELLING * usual.scale)
                telling, nearer = _nearer_sums(x, usual.level, vehicle, groups, lies | much, *how).T
                odd[slip] = hardly | (lies & (nearer >= MOSTLY * telling)) | (much & (nearer >= MOSTLY * n))
    return {slip: np.unique(batch[mask[groups]]) for slip, mask in odd.items() if mask.any()}


def _odd_courses(readings: Readings, x: Float64s, groups: Int64s, batch: Int64s) -> Int64s:
    """Batches with several readings off their courses, in groups in which half of them are."""
    first, last = readings.segment
    rows = np.arange(readings.rows)
    level, _ = courses_around(x, readings.day, rows, readings.vehicle, readings.start, first, last, 1)
    off = np.abs(x - level) > 0.25 * np.abs(level) + 100.0
    share = np.bincount(groups[off], minlength=int(groups.max()) + 1) / np.maximum(np.bincount(groups), 1)
    counts = np.bincount(batch[off & (share[groups] >= 0.5)], minlength=int(batch.max()) + 1)
    return np.flatnonzero(counts >= VEHICLES)
