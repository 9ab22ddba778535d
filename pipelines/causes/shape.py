"""How what departs came about: whether its readings scatter more than they did, and whether it came as a step.

`FamilyDrift` in, arrays out. An idle valve that sticks scatters, a closed throttle that was shifted steps, deposits do
neither.
"""

import numba
import numpy as np

from pipelines.bands.order import quantile
from pipelines.handover import Bools, FamilyDrift, Float64s, Int64s

RECENT, BEFORE = 8, 40  # differences between neighbouring readings that are compared (judgement)
FEWEST = 6  # of each, from which anything is said
LOG_SD = 0.4  # of the log ratio of two medians of so few differences, without a change
MOST_NATS = 4.0  # that scatter, or the shape, may say for or against a cause (judgement)
EDGE = 3  # readings that a step must be away from either end of what is compared


def log_scatter_growth(family: FamilyDrift, vehicles: Int64s) -> Float64s:
    """[vehicles, C] log of how much more neighbouring readings differ lately than before; NaN: too few tell.

    Medians of absolute differences within an epoch, none counted as smaller than half a step.
    """
    panel = family.panel
    floor = np.maximum(np.nan_to_num(panel.resolution) / 2, 0.25 * family.sigma.astype(np.float64))
    growth: Float64s = _growth(panel.values, panel.epoch, panel.row_start, vehicles, floor)
    return growth


def log_scatter_ratio(growth: Float64s, expected: Float64s) -> Float64s:
    """[V, K] log likelihood ratio of scatter that grows as expected against scatter that does not.

    Args:
        growth: [V, C] from `log_scatter_growth`.
        expected: [K, C] log of the factor by which each cause lets a correction's scatter grow; 0: it does not.
    """
    told = np.nan_to_num(growth)
    named = expected > 0
    gain = (expected[None] * told[:, None] - 0.5 * expected[None] ** 2) / (2 * LOG_SD**2)
    known = np.isfinite(growth)[:, None] & named[None]
    count = np.maximum(known.sum(axis=2), 1)
    # Corrections of one cause scatter together: their mean speaks, as much as two of them would.
    ratio: Float64s = np.where(known, gain, 0.0).sum(axis=2) / count * np.minimum(count, 2)
    return np.clip(ratio, -MOST_NATS, MOST_NATS)


def log_step_ratio(family: FamilyDrift, leading: Int64s, vehicles: Int64s) -> Float64s:
    """[vehicles] log likelihood ratio of a step against a steady ramp in the leading correction, at the best onset.

    Args:
        family: Newest rows of each vehicle.
        leading: Index of the correction that departs most.
        vehicles: Which vehicles.
    """
    panel = family.panel
    ratio = np.zeros(len(vehicles))
    for i, (v, c) in enumerate(zip(vehicles, leading, strict=True)):
        rows = slice(panel.row_start[v], panel.row_start[v + 1])
        same: Bools = panel.epoch[rows, c] == panel.epoch[rows, c][-1]
        y = panel.values[rows, c][same].astype(np.float64)
        y = y[np.isfinite(y)][-BEFORE:]
        scale = float(np.nan_to_num(family.scale[panel.row_start[v + 1] - 1, c], nan=1.0))
        sd = max(float(family.sigma[c]) * scale, 1e-12)
        if len(y) >= 2 * FEWEST:
            ratio[i] = _step_over_ramp(y / sd)
    return np.clip(ratio, -MOST_NATS, MOST_NATS)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _growth(values, epoch, row_start, vehicles, floor):  # type: ignore[no-untyped-def]
    """[vehicles, C]; see `log_scatter_growth`."""
    corrections = values.shape[1]
    growth = np.full((len(vehicles), corrections), np.nan)
    differences = np.empty(RECENT + BEFORE)
    for i in range(len(vehicles)):
        first, end = row_start[vehicles[i]], row_start[vehicles[i] + 1]
        for c in range(corrections):
            found, later = 0, -1
            for r in range(end - 1, first - 1, -1):
                if np.isnan(values[r, c]):
                    continue
                if later >= 0 and epoch[r, c] == epoch[later, c] and found < RECENT + BEFORE:
                    differences[found] = max(abs(values[later, c] - values[r, c]), floor[c])
                    found += 1
                later = r
            if found >= RECENT + FEWEST:
                now, then = quantile(differences[:RECENT], 0.5), quantile(differences[RECENT:found], 0.5)
                growth[i, c] = np.log(now / then)
    return growth


def _step_over_ramp(y: Float64s) -> float:
    """Log likelihood of the best step over that of the best ramp that begins flat; y in sds of its noise."""
    n, y = len(y), y - y.mean()
    onset = np.arange(EDGE, n - EDGE)
    after = n - onset
    total = float(y @ y)
    step = total - np.cumsum(y)[onset - 1] ** 2 * (1 / onset + 1 / after)
    grown = np.cumsum(np.cumsum(y[::-1]))[::-1][onset]  # sum of y times 1, 2, 3... from the onset on
    ramp = total - grown**2 / (after * (after + 1) * (2 * after + 1) / 6 - (after * (after + 1) / 2) ** 2 / n)
    best_step, best_ramp = float(step.min()), float(ramp.min())
    noise = max(min(best_step, best_ramp) / (n - 3), 1.0)  # a poor fit of both says less
    return 0.5 * (best_ramp - best_step) / noise
