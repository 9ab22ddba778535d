"""What peers show of an epoch's end: how far a new calibration moves all, and how far levels are carried over resets.

A vehicle that is read before and after says how far its own level moved. The robust mean of those that got the same
calibration, drawn to none by their number, is what the calibration moved; what one vehicle moved beyond that is its
own. The spread of these says how well a level is carried on.

`run_weeks` goes through the weeks with everyone in; `run_rows` takes from that what a vehicle's rows see, with its own
share taken out. Both can go on from any week's end. Compiled kernels over one correction, no frames.
"""

import numba
import numpy as np

from pipelines.bands.order import quantile
from pipelines.bands.robust_mean import peer_weight, robust_mean
from pipelines.handover import Float64s, Int32s, Int64s

LEAST = 5  # settled readings before and after; judgement
AGAIN = 2  # a vehicle's own movement is taken anew each time its readings have grown by this ratio; judgement
RECENT = 10  # readings that a level rests on; judgement
# Variance that a level gains over an epoch's end, as a share of that between vehicles, unless shown; judgement.
CARRIED = 0.25
CARRIED_WORTH = 10.0  # epochs' ends that this prior is worth; judgement
# Of levels that moved less than this; and this quantile of a squared normal variable; derived.
SHARE, SHARE_SQUARE = 0.8, 1.6424

# One vehicle: the level of its epoch, of the last epoch that showed one, and of the last calibration, each with the
# readings it rests on; its own movement by its calibration with variance (0: none yet), and when it is taken anew.
LEVEL = np.dtype(
    [(name, "f8") for name in (
        "level", "count", "old", "old_count", "former", "former_count", "own", "own_variance", "again",
    )]
    + [("epoch", "i4"), ("change", "i4")],
    align=True,
)  # fmt: skip
# One change of calibration at a week's end: mean movement, sum of weights, and the centre that these were taken about.
SHIFT_PARTS = ("mean", "weight", "centre")
SHIFT = np.dtype([(name, "f8") for name in SHIFT_PARTS])


def changes(calibration: Int32s, row_start: Int64s) -> tuple[Int32s, Int32s]:
    """[R] index of the calibration change that a vehicle last saw (-1: none), and [T, 2] calibrations from and to."""
    before = np.roll(calibration, 1)
    new = calibration != before
    new[row_start[:-1][np.diff(row_start) > 0]] = False
    pairs = np.stack([before[new], calibration[new]], axis=1)
    kinds, kind = np.unique(pairs, axis=0, return_inverse=True)
    at = np.append(-1, np.flatnonzero(new))
    last = at[np.searchsorted(at, np.arange(len(calibration)), side="right") - 1]
    first = np.repeat(row_start[:-1], np.diff(row_start))
    known = np.full(len(calibration) + 1, -1)
    known[at[1:]] = kind.ravel()
    return np.where(last > first, known[last], -1).astype(np.int32), kinds.astype(np.int32)


def blank_levels(vehicles: int) -> np.ndarray:
    """[V] of `LEVEL`: nothing read yet."""
    levels = np.zeros(vehicles, dtype=LEVEL)
    levels["epoch"] = levels["change"] = -1
    return levels


def empty_ends() -> Float64s:
    """[0, 2] squared movements of levels over epochs' ends, and the variance that noise gives them."""
    return np.empty((0, 2))


@numba.njit(cache=True, nogil=True)
def take(now, x, settled, epoch, change, noise2, carried):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take one row into a vehicle's `LEVEL`; whether its level is one to be compared with those before."""
    if epoch != now.epoch:
        if now.count >= LEAST:
            now.old, now.old_count = now.level, now.count
        now.epoch = epoch
        now.count = 0.0
        now.again = LEAST
    if change != now.change:
        now.change = change
        now.former, now.former_count = now.old, now.old_count
        now.own_variance = 0.0
    if np.isnan(x) or not settled:
        return False
    now.count += 1
    now.level = x if now.count == 1 else now.level + (x - now.level) / min(now.count, RECENT)
    if now.count < now.again:
        return False
    now.again = AGAIN * now.count
    if now.change >= 0 and now.former_count > 0:
        now.own = now.level - now.former
        now.own_variance = noise2 * _error(now.count, now.former_count) + carried
    return True


@numba.njit(cache=True, nogil=True)
def run_weeks(  # type: ignore[no-untyped-def]  # noqa: C901, PLR0912, PLR0917 - one pass over the weeks
    x, order, week_start, first, last, vehicle, epoch, settled, change, block, noise2, offset2, levels, ends, shifts,
    carried,
):  # fmt: skip
    """Weeks `first` up to `last` of one correction, going on from the week before.

    Args:
        x: [R] readings minus season, ageing and the centre of the vehicle's first calibration; NaN: not read.
        order: Rows sorted by week, then as they stand.
        week_start: [W + 1] first entry of `order` of each week.
        first: Week to begin with; the one before it is known, or it is 0.
        last: Week to stop at.
        vehicle: [R] index of the vehicle.
        epoch: [R] learning epoch of the series.
        settled: [R] False while relearning.
        change: [R] index of the vehicle's last change of calibration; -1: none so far.
        block: [R] row of the model that holds then.
        noise2: [B] variance of a week's noise as a mean over many weeks sees it.
        offset2: [B] variance of vehicles' levels.
        levels: [V] of `LEVEL`, as they stand before week `first`; brought to the end of the last.
        ends: [n, 2] as `empty_ends`, of the weeks before.
        shifts: [W, T] of `SHIFT`, filled from `first` on.
        carried: [W] variance that a level gains over an epoch's end, filled from `first` on.

    Returns:
        The ends with those of these weeks.
    """
    kinds = shifts.shape[1]
    stale = np.zeros(kinds, dtype=np.bool_)
    some, some2 = np.empty(len(levels)), np.empty(len(levels))
    known = len(ends)
    for w in range(first, last):
        for k in range(kinds if w > 0 else 0):
            shifts[w, k] = shifts[w - 1, k]
        gains = carried[w - 1] if w > 0 else CARRIED * offset2[0]
        before = known
        spread2 = offset2[0]
        for i in range(week_start[w], week_start[w + 1]):
            r = order[i]
            now = levels[vehicle[r]]
            spread2 = offset2[block[r]]
            noise = noise2[block[r]]
            if not take(now, x[r], settled[r], epoch[r], change[r], noise, gains):
                continue
            k = now.change
            if k >= 0 and now.former_count > 0:
                stale[k] = True
            if now.count == LEAST and now.old_count > 0:
                if known == len(ends):
                    ends = np.concatenate((ends, np.empty((known + 64, 2))))
                gone = now.level - now.old
                if k >= 0 and now.own_variance > 0 and now.old == now.former:
                    gone -= shifts[w, k].mean
                ends[known, 0] = gone * gone
                ends[known, 1] = noise * _error(now.count, now.old_count)
                known += 1
        if known > before:
            gained = quantile(ends[:known, 0].copy(), SHARE) / SHARE_SQUARE - quantile(ends[:known, 1].copy(), 0.5)
            gains = (known * max(gained, 0.0) + CARRIED_WORTH * CARRIED * spread2) / (known + CARRIED_WORTH)
        carried[w] = gains
        for k in range(kinds):
            if stale[k]:
                stale[k] = False
                n = 0
                for v in range(len(levels)):
                    if levels[v].change == k and levels[v].own_variance > 0:
                        some[n], some2[n] = levels[v].own, levels[v].own_variance
                        n += 1
                shift = shifts[w, k]
                shift.mean, shift.weight, shift.centre = robust_mean(some[:n], some2[:n])
    return ends[:known].copy()


@numba.njit(cache=True, nogil=True)
def run_rows(  # type: ignore[no-untyped-def]  # noqa: PLR0917
    x, first, row_start, week, epoch, settled, change, block, noise2, offset2, levels, shifts, carried, moved
):
    """What each vehicle's rows from `first` on see of epochs' ends, as all others show up to the end of a row's week.

    Args:
        x: [R] as for the weeks.
        first: [V] first row of each vehicle that is wanted, at a week's start.
        row_start: [V + 1].
        week: [R].
        epoch: [R] as for the weeks.
        settled: [R] as for the weeks.
        change: [R] as for the weeks.
        block: [R] row of the model that holds then.
        noise2: [B] as for the weeks.
        offset2: [B] variance of vehicles' levels, and of what a calibration moves before anyone shows it.
        levels: [V] of `LEVEL`, as they stand before row `first`; brought to the last.
        shifts: [W, T] of `SHIFT`.
        carried: [W] as for the weeks.
        moved: [R, 3] output: movement of the level at the vehicle's last change of calibration, the variance of its
            error, and the variance that a level gains over an epoch's end beside that.
    """
    for v in range(len(row_start) - 1):
        now = levels[v]
        opened = first[v]
        for r in range(first[v], row_start[v + 1]):
            w = week[r]
            gains = carried[w - 1] if w > 0 else CARRIED * offset2[0]
            take(now, x[r], settled[r], epoch[r], change[r], noise2[block[r]], gains)
            if r + 1 < row_start[v + 1] and week[r + 1] == w:
                continue
            for i in range(opened, r + 1):
                moved[i, 2] = carried[w]
                if change[i] < 0:
                    continue
                shift = shifts[w, change[i]]
                share = 0.0
                if change[i] == now.change and now.own_variance > 0:
                    share = peer_weight(now.own, now.own_variance, shift.centre)
                others = max(shift.weight - share, 0.0)
                precision = others + 1 / offset2[block[i]]
                moved[i, 0] = (shift.mean * shift.weight - now.own * share) / precision if others > 0 else 0.0
                moved[i, 1] = 1 / precision
            opened = r + 1


@numba.njit(cache=True, nogil=True)
def _error(after, before):  # type: ignore[no-untyped-def]
    """Variance of the difference of two levels, in that of one reading."""
    longest = 2 * RECENT - 1
    return 1 / min(after, longest) + 1 / min(before, longest)
