"""Readings that were not learned anew: a correction whose region is not visited stands, and standing shows nothing.

A correction that moves less than its step also repeats itself; how often, its movements of one step and of more tell.
"""

import numba
import numpy as np
from scipy.special import ndtr

from pipelines.handover import Float32s, Float64s, Int32s, Int64s
from pipelines.standstill.rule import RARE_READING, fewest_repeats

SPREADS = np.geomspace(0.05, 50, 200)  # sd of a difference between neighbouring readings, in steps, tried; numerical
LEAST_MOVED = 20  # differences other than 0 that must be seen before a repeat is called anything; judgement


def stands_from(values: Float32s, epoch: Int32s, row_start: Int64s, resolution: Float64s) -> Float64s:
    """[C] how many repeats in a row are a standstill, not movements below the step; inf: however many.

    Of the differences that are not 0, the share that is one step gives their spread, and so how often rounding alone
    repeats a reading; where repeats beyond that are the more probable ones, the first is a standstill.

    Args:
        values: [C, R] readings of all vehicles, NaN: not read; rows sorted by vehicle, then time.
        epoch: [C, R] learning epoch of the series.
        row_start: [V + 1].
        resolution: [C] step; 0 or NaN: not known, the least difference seen stands for it.
    """
    repeats, single, more = _count(values, epoch, row_start, np.nan_to_num(resolution)).T
    moved = single + more
    repeat, one = _by_spread()
    ones = single / np.maximum(moved, 1)
    chance = np.interp(-ones, -one, repeat)
    chance = np.where(ones >= one[0], np.maximum(chance, repeat[0]), chance)
    standing = np.clip(1 - (1 - repeats / np.maximum(repeats + moved, 1)) / np.maximum(1 - chance, 1e-9), 0, 1)
    at_once = standing > (1 - standing) * chance
    in_a_row = fewest_repeats(chance, RARE_READING)
    return np.where(moved < LEAST_MOVED, np.inf, np.where(at_once, 1.0, in_a_row))


def _by_spread() -> tuple[Float64s, Float64s]:
    """For each of `SPREADS`: chance of a repeat, and share of one step among the movements, of rounded normal noise."""
    a = 1 / SPREADS
    repeat = _within(a)
    one = (2 * _within(a / 0.5) - 2 * repeat) / (1 - repeat)
    return repeat, np.minimum.accumulate(one)


def _within(a: Float64s) -> Float64s:
    """E[(1 - |Z| / a)+] of a standard normal Z: chance that rounding to steps of `a` sd hides a movement."""
    density = (1 - np.exp(-(a**2) / 2)) / np.sqrt(2 * np.pi)
    chance: Float64s = 2 * ndtr(a) - 1 - 2 * density / a
    return chance


@numba.njit(cache=True, nogil=True)
def _count(values, epoch, row_start, resolution):  # type: ignore[no-untyped-def]
    """[C, 3] differences between neighbouring readings: none, one step, more."""
    corrections, rows = values.shape
    counts = np.zeros((corrections, 3))
    size = np.empty(rows)
    for c in range(corrections):
        differences = 0
        for v in range(len(row_start) - 1):
            before = -1
            for r in range(row_start[v], row_start[v + 1]):
                if np.isnan(values[c, r]):
                    continue
                if before >= 0 and epoch[c, r] == epoch[c, before]:
                    size[differences] = abs(values[c, r] - values[c, before])
                    differences += 1
                before = r
        step = resolution[c]
        if step <= 0:
            step = np.inf
            for i in range(differences):
                if 0 < size[i] < step:
                    step = size[i]
        for i in range(differences):
            counts[c, 0 if size[i] < step / 2 else 1 if size[i] < 1.5 * step else 2] += 1
    return counts


@numba.njit(cache=True, nogil=True)
def rows_from(begin, row_start):  # type: ignore[no-untyped-def]
    """How many rows there are from row `begin` [V] of each vehicle on."""
    rows = 0
    for v in range(len(begin)):
        rows += row_start[v + 1] - begin[v]
    return rows


@numba.njit(cache=True, nogil=True)
def is_unlearned(x, repeated, stands, low, high):  # type: ignore[no-untyped-def]
    """Whether a reading that repeats the one before so often learned nothing."""
    return repeated > 0 and repeated >= stands and not (x <= low or x >= high)


@numba.njit(cache=True, nogil=True)
def unlearned_rows(values, row_start, stands, low, high):  # type: ignore[no-untyped-def]
    """[R] where a series stands: it reads what it read before, for as long; a limit that holds it is no standstill.

    A new epoch that begins with the reading of before it has learned nothing yet either.

    Args:
        values: [R] readings of one correction; NaN: not read.
        row_start: [V + 1].
        stands: Repeats in a row from which it stands.
        low: Held at its limit up to here; NaN: never.
        high: The same from here.
    """
    out = np.zeros(len(values), dtype=np.bool_)
    for v in range(len(row_start) - 1):
        before = np.nan
        run = 0
        for r in range(row_start[v], row_start[v + 1]):
            x = values[r]
            if np.isnan(x):
                continue
            run = run + 1 if x == before else 0
            out[r] = is_unlearned(x, run, stands, low, high)
            before = x
    return out


@numba.njit(cache=True, nogil=True)
def learned_readings(values, hours, row_start, begin, block, stands, low, high):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """What a series learned: its readings but those where it stands, and the hours but those before these.

    Args:
        values: [R] readings of one correction; NaN: not read.
        hours: [R] stitched hours.
        row_start: [V + 1].
        begin: [V] first row of each vehicle that is wanted; `n` rows in all.
        block: [R] row of `stands` that holds then.
        stands: [B] repeats in a row from which it stands.
        low: Held at its limit up to here, which is no standstill; NaN: never.
        high: The same from here.

    Returns:
        [n] readings, [n] hours, [n] whether it was read, and stood.
    """
    wanted = rows_from(begin, row_start)
    read, run = np.empty(wanted, dtype=values.dtype), np.empty(wanted)
    stood = np.empty(wanted, dtype=np.bool_)
    i = 0
    for v in range(len(row_start) - 1):
        if begin[v] == row_start[v + 1]:
            continue
        before, repeated, idle = np.nan, 0, 0.0
        for r in range(row_start[v], row_start[v + 1]):
            x, standing = values[r], False
            if not np.isnan(x):
                repeated = repeated + 1 if x == before else 0
                standing = is_unlearned(x, repeated, stands[block[r]], low, high)
                before = x
            if standing and r > row_start[v] and hours[r] >= hours[r - 1]:
                idle += hours[r] - hours[r - 1]
            if r >= begin[v]:
                read[i] = np.nan if standing else x
                run[i] = hours[r] - idle
                stood[i] = standing
                i += 1
    return read, run, stood
