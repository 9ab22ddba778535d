"""A robust mean of what peers read, and how much each of them counts in it; compiled.

Source: the biweight (Tukey 1977, Exploratory Data Analysis, chapter 10), from the median.
"""

import math

import numba
import numpy as np

from pipelines.bands.order import quantile

PASSES = 3  # of the robust mean; judgement
# Peers further than this many sigmas from the rest say nothing about the season (Tukey's biweight); judgement.
CUT = 4.0
START_FROM = 201  # peers whose median starts the robust mean; judgement
ODD = 0.05  # share of peers that do not do what all do, as those that hang or were away: usual contamination; judgement


@numba.njit(cache=True, nogil=True)
def peer_weight(x, variance, centre):  # type: ignore[no-untyped-def]
    """Weight of a peer's reading in the robust mean."""
    d = (x - centre) / (CUT * np.sqrt(variance))
    return (1 - d * d) ** 2 / variance if abs(d) < 1 else 0.0


@numba.njit(cache=True, nogil=True)
def robust_mean(x, variance):  # type: ignore[no-untyped-def]
    """Biweight mean from the median: the mean, the sum of weights, and the centre that these were taken about."""
    step = max(1, len(x) // START_FROM)
    return mean_about(x, variance, quantile(x[::step].copy(), 0.5))


@numba.njit(cache=True, nogil=True)
def mean_about(x, variance, start):  # type: ignore[no-untyped-def]
    """The same from any `start`."""
    mean = centre = start
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


@numba.njit(cache=True, nogil=True)
def is_shared(apart, variance, gap):  # type: ignore[no-untyped-def]
    """Whether all peers moved by `gap`, but for odd ones, and not some of them alone while others stayed.

    Whoever lies nearer to where it was than to where the others are counts as staying. As many as do must be likelier
    where all moved, by what noise and oddity make of it, than where any share may have moved, all shares alike.

    Args:
        apart: [n] what peers read minus what they would if none had moved.
        variance: [n] of that.
        gap: The movement.
    """
    count, stayed, by_chance = 0, 0, 0.0
    for i in range(len(apart)):
        if variance[i] < gap * gap:  # else it says nothing
            count += 1
            stayed += apart[i] * gap < gap * gap / 2
            by_chance += 0.5 * math.erfc(abs(gap) / math.sqrt(8 * variance[i]))
    share = ODD + (1 - ODD) * by_chance / max(count, 1)
    if stayed <= share * count:
        return True
    ways = math.lgamma(count + 1) - math.lgamma(stayed + 1) - math.lgamma(count - stayed + 1)
    return ways + stayed * math.log(share) + (count - stayed) * math.log(1 - share) > -math.log(count + 1)
