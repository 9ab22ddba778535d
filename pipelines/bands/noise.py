"""Healthy noise from pooled, robust variograms: a sample of series in, one model row per correction out; no frames."""

import math
from dataclasses import dataclass

import numba
import numpy as np

from pipelines.bands.order import quantile, trimmed_mean
from pipelines.handover import Float32s, Float64s, Int32s, Int64s

LAGS = np.array([1, 2, 3, 4, 6, 8, 12, 16, 24, 32])  # readings between the two of a pair; judgement
# Days apart; judgement.
BIN_EDGES = np.array([0.0, 1.5, 2.5, 4, 6, 9, 12.5, 17.5, 24.5, 35, 50, 70, 100, 140, 200, 280])
HUBER = 1.5  # differences count up to this many of their own sd; judgement
# Days, tried: what a coarser grid misses would go into sigma and wander; numerical.
MEMORIES = np.geomspace(0.5, 60, 49)
# Pairs a bin must have to count; where no bin has twice as many, half of what the fullest has; judgement.
LEAST_PAIRS = 30
# Of a correction, pairs of one vehicle count as so many times those of the middle one at most: where most seldom learn,
# what strays learns at every drive, and would pass for noise; judgement.
MOST_OF_ONE = 2.0
LEAST_PEERS = 3  # vehicles of a cell whose mean says what they do together; judgement
SEED = 1  # of the places that readings get within their step; any number: definition
# Rounds of levels and cells in turn: epochs that begin and end with the season take little of it along; judgement.
POLISHES = 4


@dataclass(frozen=True, kw_only=True)
class Noise:
    """Healthy noise of C corrections.

    sigma: marginal sd. memory_days: time constant. rounding: variance that has no memory. wander: variance of the
    slow healthy movement of the level, per day. pairs: neighbouring readings it rests on. All [C].
    """

    sigma: Float64s
    memory_days: Float64s
    rounding: Float64s
    wander: Float64s
    pairs: Float64s


def fit_noise(healthy: Float32s, *, epoch: Int32s, row_start: Int64s, day: Float64s, resolution: Float64s) -> Noise:
    """Noise of C corrections from all series together, robust against defects in a fifth of them.

    Readings are spread evenly over their step first, and what that adds is taken off again: a robust scale of values a
    few steps apart would take rounding for noise without memory.

    Args:
        healthy: [C, R] readings without levels and season (`take_out_levels`), NaN: not read or relearning; rows
            sorted by vehicle, then time.
        epoch: [C, R] learning epoch of the series.
        row_start: [V + 1] first row of each vehicle.
        day: [R] time in days.
        resolution: [C] step of the correction; 0 or NaN: not quantised.

    Source: robust variogram of within-epoch differences (Huber 1964, scale by proposal 2, on pooled differences).
    """
    step = np.nan_to_num(resolution)
    spread = step[:, None] * (np.random.default_rng(SEED).random(healthy.shape[1]) - 0.5)
    variogram, apart, pairs = variograms((healthy + spread).astype(np.float32), epoch, row_start, day, step)
    gamma = np.maximum(variogram - (step**2 / 12)[:, None], 0.0)
    enough = pairs >= np.clip(pairs.max(axis=1, keepdims=True) / 2, 1, LEAST_PAIRS)
    first = np.take_along_axis(gamma, np.argmax(enough, axis=1)[:, None], axis=1)[:, 0]
    rounding = np.minimum(step**2 / 12, 0.5 * first)
    weights = np.where(enough, np.sqrt(np.minimum(pairs, 2000)), 0.0) / np.maximum(apart, 5.0) ** 0.5
    # Errors are in proportion to what a variogram should be, and it does not fall.
    weights /= np.maximum(np.maximum.accumulate(variogram, axis=1), 1e-30) ** 2
    best = np.full(len(healthy), np.inf)
    sigma2, wander, memory = np.zeros(len(healthy)), np.zeros(len(healthy)), np.full(len(healthy), 7.0)
    nearest = np.take_along_axis(apart, np.argmax(enough, axis=1)[:, None], axis=1)[:, 0]
    most = np.maximum(first - rounding, 0.0) / np.maximum(nearest, 1.0)  # then half of the nearest bin is wander
    for days in MEMORIES:
        saturation, linear = 1 - np.exp(-apart / days), apart / 2
        a, b, loss = _two_bounded(saturation, linear, gamma - rounding[:, None], weights, most)
        better = (loss < best * (1 - 1e-9)) & enough.any(axis=1)
        best = np.where(better, loss, best)
        sigma2, wander = np.where(better, a, sigma2), np.where(better, b, wander)
        memory = np.where(better, days, memory)
    return Noise(sigma=np.sqrt(sigma2), memory_days=memory, rounding=rounding, wander=wander, pairs=pairs[:, :5].sum(1))


def _two_bounded(
    f: Float64s, g: Float64s, y: Float64s, w: Float64s, most: Float64s
) -> tuple[Float64s, Float64s, Float64s]:
    """Weighted least squares y = a f + b g with a >= 0 and 0 <= b <= most, row by row; a, b and what is left."""
    ff, gg, fg = (w * f * f).sum(1), (w * g * g).sum(1), (w * f * g).sum(1)
    fy, gy = (w * f * y).sum(1), (w * g * y).sum(1)
    det = ff * gg - fg**2
    b = np.where(det > 1e-12 * ff * gg, (gy * ff - fy * fg) / np.maximum(det, 1e-300), 0.0)
    b = np.clip(b, 0.0, most)
    a = np.maximum((fy - b * fg) / np.maximum(ff, 1e-300), 0.0)
    loss = (w * (y - a[:, None] * f - b[:, None] * g) ** 2).sum(1)
    return a, b, loss


@numba.njit(cache=True, nogil=True)
def take_out_levels(  # type: ignore[no-untyped-def]  # noqa: PLR0917 - compiled functions take arguments by position
    values, epoch, row_start, cell, by_cell, cells, settled
):
    """Readings without each series' level and without what peers do together; a kernel.

    Args:
        values: [C, R] readings, NaN: not read; rows sorted by vehicle, then time.
        epoch: [C, R] learning epoch of the series.
        row_start: [V + 1] first row of each vehicle.
        cell: [R] depot and week, below `cells`: what peers do together there is taken out.
        by_cell: Rows sorted by it.
        cells: How many cells there are.
        settled: [C, R] False: relearning, left out.

    Returns:
        [C, R] what is left, NaN: left out; [C, cells] trimmed mean of each cell, NaN: too few; [C, cells] its readings.

    Source: median polish (Tukey 1977, Exploratory Data Analysis, chapter 11), with trimmed means of the cells.
    """
    corrections, rows = values.shape
    left = np.empty((corrections, rows), dtype=np.float32)
    together = np.full((corrections, cells), np.nan)
    peers = np.zeros((corrections, cells))
    x = np.empty(rows)
    buffer = np.empty(rows)
    for c in range(corrections):
        for r in range(rows):
            x[r] = values[c, r] if settled[c, r] else np.nan
        for _ in range(POLISHES):
            _subtract_medians(x, epoch[c], row_start, buffer)
            _subtract_cells(x, cell, by_cell, together[c], peers[c], buffer)
        for r in range(rows):  # a mean takes a part of each reading's own noise along
            if peers[c, cell[r]] >= LEAST_PEERS:
                x[r] /= np.sqrt(1 - 1 / peers[c, cell[r]])
            left[c, r] = x[r]
    return left, together, peers


@numba.njit(cache=True, nogil=True)
def _subtract_cells(x, cell, by_cell, together, peers, buffer):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Subtract each cell's trimmed mean, in place, and add it to `together`; count its readings."""
    end = 0
    while end < len(x):
        at = end
        here = cell[by_cell[at]]
        count = 0
        while end < len(x) and cell[by_cell[end]] == here:
            if not np.isnan(x[by_cell[end]]):
                buffer[count] = x[by_cell[end]]
                count += 1
            end += 1
        peers[here] = count
        if count >= LEAST_PEERS:
            middle = trimmed_mean(buffer[:count], max(count // 5, 1))
            together[here] = middle + (0.0 if np.isnan(together[here]) else together[here])
            for i in range(at, end):
                x[by_cell[i]] -= middle


@numba.njit(cache=True, nogil=True)
def counted_share(cut):  # type: ignore[no-untyped-def]
    """E[min(z^2, cut)] of a standard normal z."""
    root = math.sqrt(cut / 2)
    return math.erf(root) - math.sqrt(2 * cut / math.pi) * math.exp(-cut / 2) + cut * math.erfc(root)


@numba.njit(cache=True, nogil=True)
def variograms(healthy, epoch, row_start, day, step):  # type: ignore[no-untyped-def]  # noqa: C901, PLR0912
    """[C, bins] robust half mean square of differences, mean days apart, number of pairs, as far as they count.

    A difference of one `step` [C] is never an outlier, so that values which mostly repeat keep their spread.
    """
    corrections, rows = healthy.shape
    bins = len(BIN_EDGES) - 1
    gamma = np.zeros((corrections, bins))
    apart = np.zeros((corrections, bins))
    pairs = np.zeros((corrections, bins))
    difference = np.empty(rows * len(LAGS))
    which = np.empty(rows * len(LAGS), dtype=np.uint8)
    end = np.zeros(len(row_start), dtype=np.int64)
    share, buffer = np.empty(len(row_start)), np.empty(len(row_start))
    of_one = np.empty((len(row_start), bins, 3))  # pairs, days between them and sizes
    for c in range(corrections):
        x = healthy[c]
        count = 0
        of_one[:] = 0.0
        for v in range(len(row_start) - 1):
            for r in range(row_start[v], row_start[v + 1]):
                if np.isnan(x[r]):
                    continue
                for lag in LAGS:
                    p = r - lag
                    if p < row_start[v]:
                        break
                    if np.isnan(x[p]) or epoch[c, p] != epoch[c, r]:
                        continue
                    days = day[r] - day[p]
                    k = np.searchsorted(BIN_EDGES, days) - 1
                    if 0 <= k < bins:
                        difference[count] = x[r] - x[p]
                        which[count] = k
                        of_one[v, k, 0] += 1
                        of_one[v, k, 1] += days
                        of_one[v, k, 2] += abs(x[r] - x[p])
                        count += 1
            end[v + 1] = count
        counts_as(end, share, buffer)
        for v in range(len(row_start) - 1):
            for k in range(bins):
                pairs[c, k] += share[v] * of_one[v, k, 0]
                apart[c, k] += share[v] * of_one[v, k, 1]
                gamma[c, k] += share[v] * of_one[v, k, 2]
        for k in range(bins):
            if pairs[c, k]:
                apart[c, k] /= pairs[c, k]
                gamma[c, k] = (1.2533 * gamma[c, k] / pairs[c, k]) ** 2
        total, most = np.zeros(bins), np.zeros(bins)
        for _ in range(12):
            total[:] = 0
            for k in range(bins):
                most[k] = max(HUBER * HUBER * gamma[c, k], step[c] * step[c])
            for v in range(len(row_start) - 1):
                for i in range(end[v], end[v + 1]):
                    total[which[i]] += share[v] * min(difference[i] * difference[i], most[which[i]])
            for k in range(bins):
                if pairs[c, k]:
                    gamma[c, k] = total[k] / (counted_share(most[k] / max(gamma[c, k], 1e-30)) * pairs[c, k])
        for k in range(bins):
            gamma[c, k] /= 2
    return gamma, apart, pairs


@numba.njit(cache=True, nogil=True)
def counts_as(end, share, buffer):  # type: ignore[no-untyped-def]
    """Fill what one pair of each vehicle counts, its pairs being those from end[v] to end[v + 1]."""
    some = 0
    for v in range(len(end) - 1):
        if end[v + 1] > end[v]:
            buffer[some] = end[v + 1] - end[v]
            some += 1
    most = MOST_OF_ONE * quantile(buffer[:some], 0.5) if some else 0.0
    for v in range(len(end) - 1):
        share[v] = min(most / max(end[v + 1] - end[v], 1), 1.0)


@numba.njit(cache=True, nogil=True)
def _subtract_medians(x, epoch, row_start, buffer):  # type: ignore[no-untyped-def]
    """Subtract each series' median within its epoch, in place."""
    for v in range(len(row_start) - 1):
        start = row_start[v]
        while start < row_start[v + 1]:
            end = start
            count = 0
            while end < row_start[v + 1] and epoch[end] == epoch[start]:
                if not np.isnan(x[end]):
                    buffer[count] = x[end]
                    count += 1
                end += 1
            middle = quantile(buffer[:count], 0.5) if count else 0.0
            for r in range(start, end):
                x[r] -= middle
            start = end
