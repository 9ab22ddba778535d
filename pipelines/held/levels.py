"""What each vehicle reads by its other files, and how far healthy readings are from that: kernels on one column."""

import numba
import numpy as np

from pipelines.handover import Float64s, Int64s

AROUND = 8  # readings before, and as many after, that say what a vehicle reads: a month of weekly ones is outvoted
LEAST_AROUND = 3  # that say it; with fewer, its peers do
SAMPLED = 15  # readings of a vehicle that say its level roughly
TO_SIGMA = 1.4826  # of a normal, from the median of absolute deviations


@numba.njit(cache=True, nogil=True)
def _median(values, n):  # type: ignore[no-untyped-def]
    """Of the first n, which it sorts in place (few)."""
    for i in range(1, n):
        x, j = values[i], i - 1
        while j >= 0 and values[j] > x:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = x
    return values[n // 2] if n % 2 else 0.5 * (values[n // 2 - 1] + values[n // 2])


@numba.njit(cache=True, nogil=True)
def rough_levels(x, start):  # type: ignore[no-untyped-def]
    """[V] median of up to `SAMPLED` readings of each vehicle, spread over its record; NaN: none."""
    levels = np.full(len(start) - 1, np.nan)
    some = np.empty(SAMPLED)
    for v in range(len(levels)):
        n, rows = 0, start[v + 1] - start[v]
        stride = max(1.0, rows / SAMPLED)
        at = 0.0
        while at < rows and n < SAMPLED:
            value = x[start[v] + int(at)]
            if not np.isnan(value):
                some[n] = value
                n += 1
            at += stride
        if n:
            levels[v] = _median(some, n)
    return levels


@numba.njit(cache=True, nogil=True)
def levels_around(x, rows, vehicle, start, first, last, ahead):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Median of the readings around each row's segment, of the same vehicle: level [n] and how many said it [n].

    Up to `ahead` after the segment, and before it so many that together they are twice `AROUND`.
    """
    level, count = np.full(len(rows), np.nan), np.zeros(len(rows), np.int64)
    some = np.empty(2 * AROUND)
    behind = 2 * AROUND - ahead
    for i in range(len(rows)):
        r = rows[i]
        if i and first[r] == first[rows[i - 1]] and vehicle[r] == vehicle[rows[i - 1]]:
            level[i], count[i] = level[i - 1], count[i - 1]
            continue
        v, n = vehicle[r], 0
        row = first[r] - 1
        while row >= start[v] and n < behind:
            if not np.isnan(x[row]):
                some[n] = x[row]
                n += 1
            row -= 1
        row, before = last[r] + 1, n
        while row < start[v + 1] and n - before < ahead:
            if not np.isnan(x[row]):
                some[n] = x[row]
                n += 1
            row += 1
        count[i] = n
        if n:
            level[i] = _median(some, n)
    return level, count


@numba.njit(cache=True, nogil=True)
def courses_around(x, day, rows, vehicle, start, first, last, ahead):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Of a counter that runs on: what it comes to between the readings before and after each row's segment.

    Level [n]; and how far it may be off: what it gains on the way. `ahead` 0: by the one before alone.
    """
    level, reach = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    for i in range(len(rows)):
        r = rows[i]
        v, before, after = vehicle[r], first[r] - 1, last[r] + 1
        while before >= start[v] and np.isnan(x[before]):
            before -= 1
        while after < start[v + 1] and np.isnan(x[after]):
            after += 1
        has_before, has_after = before >= start[v], after < start[v + 1]
        if has_before and has_after and ahead > 0:
            share = (day[r] - day[before]) / max(day[after] - day[before], 1e-6)
            level[i] = x[before] + share * (x[after] - x[before])
            reach[i] = abs(x[after] - x[before])
        elif has_before or has_after:
            level[i] = x[before] if has_before else x[after]
            reach[i] = np.inf
    return level, reach


def family_levels(levels: Float64s, family: Int64s, apart: Int64s) -> tuple[Float64s, Float64s]:
    """[V] median of the peers at other depots (of the whole family where it has one depot), and their spread.

    Args:
        levels: [V] of the vehicles; NaN: not known.
        family: [V].
        apart: [V] depot.
    """
    level, spread = np.full(len(levels), np.nan), np.full(len(levels), np.nan)
    for one in np.unique(family):
        members = family == one
        for depot in np.unique(apart[members]):
            others = levels[members & (apart != depot)]
            others = others[~np.isnan(others)]
            if len(others) < LEAST_AROUND:
                continue
            mine = members & (apart == depot)
            level[mine] = np.median(others)
            spread[mine] = TO_SIGMA * np.median(np.abs(others - np.median(others)))
    return level, spread


def scatter(x: Float64s, levels: Float64s, vehicle: Int64s, *, floor: float) -> float:
    """Healthy distance of readings from their vehicle's level, as a sigma; robust, from a sample."""
    stride = max(1, len(x) // 40_000)
    off = np.abs(x[::stride] - levels[vehicle[::stride]])
    off = off[~np.isnan(off)]
    if not len(off):
        return float("nan")
    middle = float(np.median(off))
    # Values that mostly stand still: the mean of what is not far off says more than a median of nothing.
    usual = float(np.minimum(off, 5 * middle + floor).mean()) / 0.8
    return max(TO_SIGMA * middle, usual, floor)


def log_t(z: Float64s) -> Float64s:
    """Log density of Student's t with 4 degrees of freedom but its constant: healthy readings have heavy tails."""
    density: Float64s = -2.5 * np.log1p(z * z / 4.0)
    return density


def without_held(values: Float64s, rows: Int64s | None) -> Float64s:
    """With what is held, at some rows, taken out."""
    if rows is None or not len(rows):
        return values
    left = values.copy()
    left[rows] = np.nan
    return left
