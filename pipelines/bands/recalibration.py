"""What peers show of an epoch's end: how far a new calibration moves all, and how far levels are carried over resets.

A vehicle that is read before and after says how far its own level moved. The robust mean of those that got the same
calibration, drawn to none by their number, is what the calibration moved; what one vehicle moved beyond that is its
own. The spread of these says how well a level is carried on.

`run_weeks` goes through the weeks with everyone in; `run_rows` takes from that what a vehicle's rows see, with its own
share taken out. Both can go on from any week's end. Compiled kernels over one correction, no frames.
"""

from typing import Any, NamedTuple

import numba
import numpy as np

from pipelines.bands.normal import Normal
from pipelines.bands.order import quantile
from pipelines.bands.robust_mean import peer_weight, robust_mean
from pipelines.handover import Float64s, Int32s, Int64s

LEAST = 5  # settled readings before and after; judgement
AGAIN = 2  # a vehicle's own movement is taken anew each time its readings have grown by this ratio; judgement
RECENT = 10  # readings that a level rests on; judgement
# Variance that a level gains over an epoch's end, as a share of that between vehicles, unless shown; judgement.
CARRIED = 0.25
CARRIED_PRIOR_ENDS = 10.0  # epochs' ends that this prior weighs as much as; judgement
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


class Rows(NamedTuple):
    """One correction at a family's rows, [R], sorted by vehicle, then time.

    x: readings minus season, ageing and the centre of the vehicle's first calibration; NaN: not read. week. vehicle:
    index. epoch: of learning. settled: False while relearning. change: index of the vehicle's last change of
    calibration; -1: none so far. block: row of the model that holds then.
    """

    x: Any
    week: Any
    vehicle: Any
    epoch: Any
    settled: Any
    change: Any
    block: Any


class Model(NamedTuple):
    """By block of time, [B]: variance of a week's noise as a mean over many weeks sees it; of vehicles' levels.

    The second is that of what a calibration moves before anyone shows it, too.
    """

    noise: Any
    level: Any

    @classmethod
    def of(cls, c: int, normal: Normal) -> "Model":
        """Of correction c."""
        return cls(normal.weekly_noise(c), normal.offset_sd[c] ** 2)


class Known(NamedTuple):
    """What is known of epochs' ends.

    levels: [V] of `LEVEL`. shifts: [W, T] of `SHIFT`. carried: [W] variance that a level gains over an epoch's end.
    shared: whether the vehicles are among those that showed it.
    """

    levels: Any
    shifts: Any
    carried: Any
    shared: bool = True


@numba.njit(cache=True, nogil=True)
def take(now, rows, r, noise, carried):  # type: ignore[no-untyped-def]
    """Take row r into its vehicle's `LEVEL`; whether its level is one to be compared with those before."""
    if rows.epoch[r] != now.epoch:
        if now.count >= LEAST:
            now.old, now.old_count = now.level, now.count
        now.epoch = rows.epoch[r]
        now.count = 0.0
        now.again = LEAST
    if rows.change[r] != now.change:
        now.change = rows.change[r]
        now.former, now.former_count = now.old, now.old_count
        now.own_variance = 0.0
    if np.isnan(rows.x[r]) or not rows.settled[r]:
        return False
    now.count += 1
    now.level = rows.x[r] if now.count == 1 else now.level + (rows.x[r] - now.level) / min(now.count, RECENT)
    if now.count < now.again:
        return False
    now.again = AGAIN * now.count
    if now.change >= 0 and now.former_count > 0:
        now.own = now.level - now.former
        now.own_variance = noise * _error(now.count, now.former_count) + carried
    return True


@numba.njit(cache=True, nogil=True)
def gained_before(known, model, w):  # type: ignore[no-untyped-def]
    """Variance that a level gains over an epoch's end, by what was known before week w."""
    return known.carried[w - 1] if w > 0 else CARRIED * model.level[0]


@numba.njit(cache=True, nogil=True)
def run_weeks(rows, order, model, known, ends, first, last):  # type: ignore[no-untyped-def]  # noqa: C901, PLR0917
    """Weeks `first` up to `last` of one correction, going on from the week before.

    Args:
        rows: `Rows`.
        order: The season's `Order`, by week alone.
        model: `Model`.
        known: `Known`; levels as they stand before week `first`, brought to the end of the last; the rest is filled
            from `first` on.
        ends: [n, 2] as `empty_ends`, of the weeks before.
        first: Week to begin with; the one before it is known, or it is 0.
        last: Week to stop at.

    Returns:
        The ends with those of these weeks.
    """
    levels, shifts, kinds = known.levels, known.shifts, known.shifts.shape[1]
    stale = np.zeros(kinds, dtype=np.bool_)
    movement, variance = np.empty(len(levels)), np.empty(len(levels))
    count = len(ends)
    for w in range(first, last):
        for k in range(kinds if w > 0 else 0):
            shifts[w, k] = shifts[w - 1, k]
        gains, before = gained_before(known, model, w), count
        for i in range(order.cell_start[w], order.cell_start[w + 1]):
            r = order.rows[i]
            now, noise = levels[rows.vehicle[r]], model.noise[rows.block[r]]
            if not take(now, rows, r, noise, gains):
                continue
            if now.change >= 0 and now.former_count > 0:
                stale[now.change] = True
            if now.count == LEAST and now.old_count > 0:
                if count == len(ends):
                    ends = np.concatenate((ends, np.empty((count + 64, 2))))
                gone = now.level - now.old
                if now.change >= 0 and now.own_variance > 0 and now.old == now.former:
                    gone -= shifts[w, now.change].mean
                ends[count, 0] = gone * gone
                ends[count, 1] = noise * _error(now.count, now.old_count)
                count += 1
        if count > before:
            block = rows.block[order.rows[order.cell_start[w]]]  # blocks begin with weeks
            gained = quantile(ends[:count, 0].copy(), SHARE) / SHARE_SQUARE - quantile(ends[:count, 1].copy(), 0.5)
            prior = CARRIED_PRIOR_ENDS * CARRIED * model.level[block]
            gains = (count * max(gained, 0.0) + prior) / (count + CARRIED_PRIOR_ENDS)
        known.carried[w] = gains
        for k in range(kinds):
            if stale[k]:
                stale[k] = False
                _learn_shift(shifts[w, k], k, levels, movement, variance)
    return ends[:count].copy()


@numba.njit(cache=True, nogil=True)
def _learn_shift(shift, k, levels, movement, variance):  # type: ignore[no-untyped-def]
    """Fill the `SHIFT` of change k from the vehicles that show it; room for their movements and variances [V].

    Where none does any more, since the only one has another calibration by the week's end, nothing is known of it.
    """
    n = 0
    for v in range(len(levels)):
        if levels[v].change == k and levels[v].own_variance > 0:
            movement[n], variance[n] = levels[v].own, levels[v].own_variance
            n += 1
    if n:
        shift.mean, shift.weight, shift.centre = robust_mean(movement[:n], variance[:n])
    else:
        shift.mean = shift.weight = shift.centre = 0.0


@numba.njit(cache=True, nogil=True)
def run_rows(rows, model, known, first, row_start, moved):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """What each vehicle's rows from `first` on see of epochs' ends, as all others show up to the end of a row's week.

    Args:
        rows: `Rows`.
        model: `Model`.
        known: `Known`; levels as they stand before row `first`, brought to the last.
        first: [V] first row of each vehicle that is wanted, at a week's start.
        row_start: [V + 1].
        moved: [R, 3] output: movement of the level at the vehicle's last change of calibration, the variance of its
            error, and the variance that a level gains over an epoch's end beside that.
    """
    week, change, block = rows.week, rows.change, rows.block
    for v in range(len(row_start) - 1):
        now = known.levels[v]
        opened = first[v]
        for r in range(first[v], row_start[v + 1]):
            w = week[r]
            take(now, rows, r, model.noise[block[r]], gained_before(known, model, w))
            if r + 1 < row_start[v + 1] and week[r + 1] == w:
                continue
            for i in range(opened, r + 1):
                moved[i, 2] = known.carried[w]
                if change[i] < 0:
                    continue
                shift = known.shifts[w, change[i]]
                share = 0.0
                if known.shared and change[i] == now.change and now.own_variance > 0:
                    share = peer_weight(now.own, now.own_variance, shift.centre)
                others = max(shift.weight - share, 0.0)
                precision = others + 1 / model.level[block[i]]
                moved[i, 0] = (shift.mean * shift.weight - now.own * share) / precision if others > 0 else 0.0
                moved[i, 1] = 1 / precision
            opened = r + 1


@numba.njit(cache=True, nogil=True)
def _error(after, before):  # type: ignore[no-untyped-def]
    """Variance of the difference of two levels, in that of one reading."""
    longest = 2 * RECENT - 1
    return 1 / min(after, longest) + 1 / min(before, longest)
