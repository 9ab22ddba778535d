"""Whether a slip says more of some cells than every change that vehicles really have: arrays in, nats out."""

from collections.abc import Iterator

import numpy as np

from pipelines.handover import Bools, Float64s, Int64s
from pipelines.held.cells import MOST_A_CELL, Cells
from pipelines.held.levels import TO_SIGMA, log_t
from pipelines.held.slips import Slip

MOST_INFLATED = 3.0  # times the healthy scatter, that a real change may show
MOST_SHIFTED = 3.0  # times its scatter over a vehicle's record, seasons included, that weather moves a circumstance
NEAR_NEUTRAL = (0.0, 0.1, 0.2, 0.35, 0.5, 0.7, 0.85)  # shares of the level left while values are learned anew


def nats_ahead(cells: Cells, slip: Slip, slipped: Bools, vehicle: Int64s | tuple[()]) -> float:
    """Nats by which the slip beats what the cells say and every real change, over the rows of the slip.

    A defect of each vehicle (`vehicle` [n]; empty: all of them had none at once) is such a change. Nothing is ahead
    where the righted values fit no better than any others.
    """
    speak = slipped & ~np.isnan(cells.x) & ~np.isnan(cells.level) & ~np.isnan(cells.scale)
    at = np.flatnonzero(speak & ((cells.x != 0) | (slip.offset != 0)))
    if not len(at):
        return 0.0
    mine = cells.of(at)
    righted = mine.slipped_density(slip)
    if float(np.clip(_anything(mine) - righted, -MOST_A_CELL, MOST_A_CELL).sum()) > 0:
        return 0.0
    changed = [*_real_changes(mine), *(_defects(mine, vehicle[at]) if len(vehicle) else ())]
    return -max(float(np.clip(real - righted, -MOST_A_CELL, MOST_A_CELL).sum()) for real in changed)


def _anything(cells: Cells) -> float:
    """Log density of a value that has nothing to do with its vehicle, anywhere between what came and what is usual.

    Between months that slipped, right ones look odd, and nearer to what those say if they are made smaller.
    """
    values = np.concatenate([cells.x, cells.level])
    return -float(np.log(max(np.ptp(values), float(np.median(cells.scale)))))


def _defects(cells: Cells, vehicle: Int64s) -> Iterator[Float64s]:
    """[n] log densities of the cells as they came, if each vehicle stands at another level; each level is paid for."""
    _, of, count = np.unique(vehicle, return_inverse=True, return_counts=True)
    off = cells.x - cells.level
    z = (off - np.array([np.median(off[of == v]) for v in range(len(count))])[of]) / cells.scale
    paid = (np.log(count + 1.0) / count)[of]
    for inflated in {1.0, _inflated(z)}:
        yield log_t(z / inflated) - np.log(cells.scale * inflated) - paid


def _inflated(z: Float64s) -> float:
    """Times the healthy scatter that readings show."""
    return float(np.clip(TO_SIGMA * np.median(np.abs(z)), 1.0, MOST_INFLATED))


def _real_changes(cells: Cells) -> Iterator[Float64s]:
    """[n] log densities of the cells as they came, if the vehicles really changed; what is fitted is paid for."""
    fitted = np.log(len(cells.x) + 1.0) / len(cells.x)
    neutral = cells.column.neutral
    for left in (1.0, *NEAR_NEUTRAL) if cells.column.is_correction else (1.0,):
        off = cells.x - neutral - left * (cells.level - neutral)
        shifted = float(np.median(off))
        if not cells.column.is_correction:
            most = MOST_SHIFTED * float(np.median(cells.scale))
            shifted = float(np.clip(shifted, -most, most))
        for shift in (0.0, shifted):
            z = (off - shift) / cells.scale
            for inflated in {0.3 if left < 1 else 1.0, 1.0, _inflated(z)}:
                paid = fitted * ((shift != 0) + (inflated > 1) + (left < 1))
                yield log_t(z / inflated) - np.log(cells.scale * inflated) - paid
