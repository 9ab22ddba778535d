"""Ageing: what a correction moves with kilometres in health, told apart from the season; arrays in, slopes out."""

import numba
import numpy as np

from pipelines.handover import Float32s, Float64s, Int32s, Int64s

LEAST_PAIRS = 6  # readings half a series apart that a vehicle must have to count; judgement
LEAST_VEHICLES = 5.0  # that must show a slope before it is believed, counted by how far they drove; judgement
MEDIAN_COST = 1.57  # variance of a median against a mean's; pi / 2; derived
SURE = 4.0  # squared standard errors from 0 at which a slope begins to be believed; judgement


def shared_slope(healthy: Float32s, epoch: Int32s, row_start: Int64s, way: Float32s, km: Float64s) -> Float64s:
    """[C] change per km that vehicles share, drawn to 0 by its own uncertainty.

    Calendar and kilometres run together in every vehicle, so a season would pass for ageing. Only what vehicles that
    drive more than their peers of the same weeks do more than these counts: a partial regression, by least absolute
    deviations over vehicles, so that defects in some of them weigh little. Where all drive so much alike that its error
    over their whole way would exceed the noise of one vehicle's change, there is none.

    Args:
        healthy: [C, R] readings without levels and without what peers do together; NaN: left out.
        epoch: [C, R] learning epoch of the series.
        row_start: [V + 1].
        way: [R] km without levels and without what peers drive together.
        km: [R] the whole of it.

    Source: Frisch and Waugh (1933), Econometrica 1(4), 387-401. How many vehicles unequal ones count for: Kish (1965),
        Survey Sampling, 11.2.
    """
    moved, drove = _changes(healthy, epoch, row_start, way)
    first, last = row_start[:-1], row_start[1:] - 1
    read = last >= first
    halves = (km[last] - km[(first + last) // 2])[read]
    whole = float(np.nanmean(halves)) if np.isfinite(halves).any() else np.inf
    return np.array([_slope(x[np.isfinite(x)], d[np.isfinite(x)], whole) for x, d in zip(moved, drove, strict=True)])


def _slope(moved: Float64s, drove: Float64s, whole: float) -> float:
    """Weighted median of moved / drove, drawn to 0; none where few vehicles drove so far that they alone decide."""
    weight = np.abs(drove)
    squares = float((drove**2).sum())
    if weight.sum() ** 2 < LEAST_VEHICLES * squares or squares < MEDIAN_COST * whole**2 or not squares:
        return 0.0
    ratio = np.divide(moved, drove, out=np.zeros_like(moved), where=weight > 0)
    order = np.argsort(ratio)
    middle = ratio[order][np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)]
    spread = 1.4826 * float(np.median(np.abs(moved - middle * drove)))
    error2 = MEDIAN_COST * spread**2 / squares
    return float(middle * np.clip(1 - SURE * error2 / max(middle**2, 1e-300), 0, 1))


@numba.njit(cache=True, nogil=True)
def _changes(healthy, epoch, row_start, way):  # type: ignore[no-untyped-def]
    """[C, V] mean change over half a series, and of the way; NaN: not long enough."""
    corrections, vehicles = len(healthy), len(row_start) - 1
    moved = np.full((corrections, vehicles), np.nan)
    drove = np.zeros((corrections, vehicles))
    for c in range(corrections):
        for v in range(vehicles):
            half = (row_start[v + 1] - row_start[v]) // 2
            pairs = 0
            x = d = 0.0
            for r in range(row_start[v] + half, row_start[v + 1]):
                p = r - half
                change, way_on = healthy[c, r] - healthy[c, p], way[r] - way[p]
                if epoch[c, r] == epoch[c, p] and not np.isnan(change) and not np.isnan(way_on):
                    pairs += 1
                    x += change
                    d += way_on
            if pairs >= LEAST_PAIRS:
                moved[c, v] = x / pairs
                drove[c, v] = d / pairs
    return moved, drove
