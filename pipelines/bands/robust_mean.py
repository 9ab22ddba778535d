"""A robust mean of what peers read, and how much each of them counts in it; compiled.

Source: the biweight (Tukey 1977, Exploratory Data Analysis, chapter 10), from the median.
"""

import numba
import numpy as np

from pipelines.bands.order import quantile

PASSES = 3  # of the robust mean; judgement
# Peers further than this many sigmas from the rest say nothing about the season (Tukey's biweight); judgement.
CUT = 4.0
START_FROM = 201  # peers whose median starts the robust mean; judgement


@numba.njit(cache=True, nogil=True)
def peer_weight(x, variance, centre):  # type: ignore[no-untyped-def]
    """Weight of a peer's reading in the robust mean."""
    d = (x - centre) / (CUT * np.sqrt(variance))
    return (1 - d * d) ** 2 / variance if abs(d) < 1 else 0.0


@numba.njit(cache=True, nogil=True)
def robust_mean(x, variance):  # type: ignore[no-untyped-def]
    """Biweight mean from the median: the mean, the sum of weights, and the centre that these were taken about."""
    step = max(1, len(x) // START_FROM)
    mean = centre = quantile(x[::step].copy(), 0.5)
    total = 0.0
    for _ in range(PASSES):
        centre = mean
        total = weighted = 0.0
        for i in range(len(x)):
            w = peer_weight(x[i], variance[i], centre)
            total += w
            weighted += w * x[i]
        if total <= 0:
            break
        mean = weighted / total
    return mean, total, centre
