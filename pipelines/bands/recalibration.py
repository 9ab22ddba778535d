"""What peers show of an epoch's end: how far a new calibration moves all, and how far levels are carried over resets.

A vehicle that is read before and after says how far its own level moved. The robust mean of those that got the same
calibration, drawn to none by their number, is what the calibration moved; what one vehicle moved beyond that is its
own. The spread of these says how well a level is carried on. A compiled kernel over one correction, no frames.
"""

import numba
import numpy as np

from pipelines.bands.season import robust_mean
from pipelines.handover import Int32s, Int64s

LEAST = 5  # settled readings before and after
AGAIN = 2  # a vehicle's own movement is taken anew each time its readings have grown by this ratio
RECENT = 10  # readings that a level rests on
CARRIED = (
    0.25  # variance that a level gains over an epoch's end as a share of that between vehicles, where none is shown
)
CARRIED_WORTH = 10.0  # epochs' ends that this prior is worth
SHARE, SHARE_SQUARE = 0.8, 1.6424  # of levels that moved less than this; and this quantile of a squared normal variable


def changes(calibration: Int32s, row_start: Int64s) -> tuple[Int32s, Int32s]:
    """[R] index of the calibration change that a vehicle last saw (-1: none), and [T, 2] calibrations from and to."""
    before = np.roll(calibration, 1)
    new = calibration != before
    new[row_start[:-1][np.diff(row_start) > 0]] = False
    pairs = np.stack([before[new], calibration[new]], axis=1)
    kinds, kind = np.unique(pairs, axis=0, return_inverse=True)
    at = np.flatnonzero(new)
    last = np.searchsorted(at, np.arange(len(calibration)), side="right") - 1
    first = np.repeat(row_start[:-1], np.diff(row_start))
    seen = (last >= 0) & (at[np.maximum(last, 0)] > first) if len(at) else np.zeros(len(calibration), dtype=np.bool_)
    change = np.where(seen, kind.ravel()[np.maximum(last, 0)], -1) if len(at) else np.full(len(calibration), -1)
    return change.astype(np.int32), kinds.astype(np.int32)


@numba.njit(cache=True, nogil=True)
def run(  # type: ignore[no-untyped-def]  # noqa: C901, PLR0912, PLR0915, PLR0917 - one compiled pass over the weeks
    x, order, week_start, vehicle, epoch, settled, change, block, noise2, offset2, vehicles, moved, weekly,
    weekly_carried,
):  # fmt: skip
    """Movements of levels at epochs' ends, as peers show them up to the end of a row's week.

    Args:
        x: [R] readings minus centre, ageing and season; NaN: not read.
        order: [R] rows sorted by week, then as they stand.
        week_start: [W + 1] first entry of `order` of each week.
        vehicle: [R] index of the vehicle.
        epoch: [R] learning epoch of the series.
        settled: [R] False while relearning.
        change: [R] index of the vehicle's last change of calibration; -1: none so far.
        block: [R] row of the model that holds then.
        noise2: [B] variance of a week's noise as a mean over many weeks sees it.
        offset2: [B] variance of vehicles' levels, and of what a calibration moves before anyone shows it.
        vehicles: How many.
        moved: [R, 3] output: movement of the level at the vehicle's last change of calibration, as all others show it,
            the variance of its error, and the variance that a level gains over an epoch's end beside that.
        weekly: [W, T, 2] output, the movement by each change and its variance, with everyone in.
        weekly_carried: [W] output, the variance that a level gains.
    """
    kinds = weekly.shape[1]
    now_epoch = np.full(vehicles, -1, dtype=np.int64)
    mine = np.full(vehicles, -1, dtype=np.int64)
    level = np.zeros(vehicles)
    count = np.zeros(vehicles)
    old = np.zeros(vehicles)  # level of the last epoch that showed one, and the readings it rests on
    old_count = np.zeros(vehicles)
    former = np.zeros(vehicles)  # the same of the last calibration
    former_count = np.zeros(vehicles)
    own = np.zeros(vehicles)  # movement, its variance, and its weight in the mean
    own2 = np.zeros(vehicles)
    own_weight = np.zeros(vehicles)
    again = np.zeros(vehicles)
    mean = np.zeros(kinds)
    weight = np.zeros(kinds)
    stale = np.zeros(kinds, dtype=np.bool_)
    some = np.empty(vehicles)
    some2 = np.empty(vehicles)
    chosen = np.empty(vehicles)
    squares = np.empty(64)
    noises = np.empty(64)
    ends = 0
    spread2 = offset2[0]
    carried = CARRIED * spread2
    for w in range(len(week_start) - 1):
        before = ends
        for i in range(week_start[w], week_start[w + 1]):
            r = order[i]
            v = vehicle[r]
            b = block[r]
            spread2 = offset2[b]
            if epoch[r] != now_epoch[v]:
                if count[v] >= LEAST:
                    old[v], old_count[v] = level[v], count[v]
                now_epoch[v] = epoch[r]
                count[v] = 0.0
                again[v] = LEAST
            if change[r] != mine[v]:
                mine[v] = change[r]
                former[v], former_count[v] = old[v], old_count[v]
                own2[v] = 0.0
            if np.isnan(x[r]) or not settled[r]:
                continue
            count[v] += 1
            level[v] = x[r] if count[v] == 1 else level[v] + (x[r] - level[v]) / min(count[v], RECENT)
            if count[v] < again[v]:
                continue
            again[v] = AGAIN * count[v]
            if mine[v] >= 0 and former_count[v] > 0:
                own[v] = level[v] - former[v]
                own2[v] = noise2[b] * _error(count[v], former_count[v]) + carried
                stale[mine[v]] = True
            if count[v] == LEAST and old_count[v] > 0:
                if ends == len(squares):
                    squares = np.append(squares, squares)
                    noises = np.append(noises, noises)
                gone = level[v] - old[v]
                if mine[v] >= 0 and own2[v] > 0 and old[v] == former[v]:
                    gone -= mean[mine[v]]
                squares[ends] = gone * gone
                noises[ends] = noise2[b] * _error(count[v], old_count[v])
                ends += 1
        if ends > before:
            shown = np.quantile(squares[:ends], SHARE) / SHARE_SQUARE - np.median(noises[:ends])
            carried = (ends * max(shown, 0.0) + CARRIED_WORTH * CARRIED * spread2) / (ends + CARRIED_WORTH)
        weekly_carried[w] = carried
        for k in range(kinds):
            if stale[k]:
                stale[k] = False
                n = 0
                for v in range(vehicles):
                    if mine[v] == k and own2[v] > 0:
                        some[n], some2[n] = own[v], own2[v]
                        n += 1
                mean[k], weight[k] = robust_mean(some, some2, n, chosen)
                n = 0
                for v in range(vehicles):
                    if mine[v] == k and own2[v] > 0:
                        own_weight[v] = chosen[n]
                        n += 1
            weekly[w, k, 0] = mean[k] * weight[k] / (weight[k] + 1 / spread2)
            weekly[w, k, 1] = 1 / (weight[k] + 1 / spread2)
        for i in range(week_start[w], week_start[w + 1]):
            r = order[i]
            v = vehicle[r]
            k = change[r]
            moved[r, 2] = carried
            if k < 0:
                continue
            part = own_weight[v] if own2[v] > 0 else 0.0
            others = max(weight[k] - part, 0.0)
            precision = others + 1 / offset2[block[r]]
            moved[r, 0] = (mean[k] * weight[k] - own[v] * part) / precision if others > 0 else 0.0
            moved[r, 1] = 1 / precision


@numba.njit(cache=True, nogil=True)
def _error(after, before):  # type: ignore[no-untyped-def]
    """Variance of the difference of two levels, in that of one reading."""
    longest = 2 * RECENT - 1
    return 1 / min(after, longest) + 1 / min(before, longest)
