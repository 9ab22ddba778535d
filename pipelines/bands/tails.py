"""Tails of healthy innovations: a family's fit in, the innovations whose normal scores are `SCORES` out."""

import numpy as np
from scipy.special import ndtr

from pipelines.bands.fit import Fit
from pipelines.bands.innovations import innovations
from pipelines.bands.normal import SCORES
from pipelines.handover import Float64s

FAMILY_WORTH = 3000.0  # innovations that the family's common shape is worth in each correction's own
LEAST_GAP = 0.15  # between knots: keeps the scores from rising faster than rounding allows
WARM_UP = 4  # first innovations of an epoch, left out


def tail_table(fit: Fit, noise: dict[str, Float64s]) -> Float64s:
    """[C, 8] quantiles of innovations (in their own sd by the fitted noise) at the normal scores `SCORES`.

    All vehicles together, because one alone shows no tail; each correction leans on the shape that the family's
    corrections share. Heavier tails than the normal's, or noise underrated, then raise no alarm.
    """
    size = np.abs(
        innovations(
            fit.healthy,
            fit.epoch,
            fit.row_start,
            fit.day,
            noise["sigma"],
            noise["memory_days"],
            noise["rounding"],
            noise["wander"],
            noise["offset_sd"],
            WARM_UP,
        )
    )
    share = 2 * ndtr(SCORES[1:]) - 1
    common = _quantiles(np.sort(size[np.isfinite(size)]), share)
    table = np.zeros((len(size), len(SCORES)))
    for c, row in enumerate(size):
        known = np.sort(row[np.isfinite(row)])
        weight = len(known) / (len(known) + FAMILY_WORTH)
        own = _quantiles(known, share)
        knots = np.exp(weight * np.log(own) + (1 - weight) * np.log(common))
        table[c, 1:] = np.maximum.accumulate(np.maximum(knots, LEAST_GAP * np.arange(1, len(SCORES))))
        table[c, 1:] += 1e-6 * np.arange(1, len(SCORES))
    return table


def _quantiles(ordered: Float64s, share: Float64s) -> Float64s:
    """Quantiles of sorted values; beyond what their number can show, as far out again as the normal's."""
    if len(ordered) < 50:
        return SCORES[1:].copy()
    found = np.maximum(np.quantile(ordered, share), 1e-3)
    shown = (1 - share) * len(ordered) >= 5
    last = int(np.flatnonzero(shown)[-1])
    return np.where(shown, found, found[last] * np.maximum(SCORES[1:] / SCORES[1 + last], 1))
