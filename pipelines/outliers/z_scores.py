"""How clearly each correction departs from health, by the vehicle's own past and by its peers at once; no forest.

Four stories compete: healthy before and now, defective before and healthy now (repaired), healthy before and defective
now, defective before and now. The departure is the likelihood ratio of 'defective now' against 'healthy now', put on
the scale of a normal deviate: for a vehicle whose own level lies among its peers' it is the deviation in its healthy
spreads.

Source: two groups and their odds: Efron (2008), Microarrays, empirical Bayes and the two-groups model.
"""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.handover import Bools, Float32s, Float64s

STOOD_BEFORE = 0.005  # share of series whose own level was learned from a defect: one in 200, rare but never excluded
CHANGED_SINCE = 0.1  # of these, how many a further change found defective
DEFECT_SIGMAS = 10.0  # how far a defect takes a correction, in noise sigmas: half go farther, without bound
TYPICAL_ROWS = 20  # a correction's own spread counts as much as the family's typical one from this many rows on
LEAST_DENSITY = 1e-290  # of health; departures end at about 36
LEAST_SPREAD = 0.4  # sigmas; the smoothed deviation of healthy readings spreads by more


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How healthy vehicles of a family spread, in noise sigmas, each [C].

    Attributes:
        own: Of their own levels about their peers'.
        moved: Of the smoothed deviation from their own level.
        level: Of their present level about their peers'.
    """

    own: Float64s
    moved: Float64s
    level: Float64s


def learn_spread(own: Float32s, z: Float32s, level: Float32s, *, vehicles: int) -> Spread:
    """Robust spreads of reference vehicle-weeks.

    Args:
        own: Own level less the peers', [n, C], sigmas; NaN: not read.
        z: Smoothed deviation from the own level, [n, C], in sigmas of the series' own noise.
        level: Present level less the peers', [n, C], sigmas.
        vehicles: How many there are: the level of few peers is itself uncertain.
    """
    moved = _robust_spread(z)
    few = np.sqrt(1 + np.pi / 2 / max(vehicles, 1))  # variance of a median of n
    of_own = few * _robust_spread(own)
    of_level = np.maximum(few * _robust_spread(level), np.hypot(of_own, LEAST_SPREAD))
    return Spread(own=of_own, moved=moved, level=of_level)


def z_scores(own: Float32s, z: Float32s, level: Float32s, relearning: Bools, spread: Spread) -> Float64s:
    """Signed departures from health, [n, C], as normal deviates; NaN: not read, or still relearning.

    Args:
        own: Own level less the peers', [n, C], sigmas.
        z: Smoothed deviation from the own level, [n, C], in sigmas of the series' own noise.
        level: Present level less the peers', [n, C], pooled sigmas: levels differ whatever scatters.
        relearning: What such a correction reads is no level yet, [n, C].
        spread: How healthy vehicles spread.
    """
    return _z_scores(own, z, level, relearning, spread.own, spread.moved, spread.level)


def _robust_spread(x: Float32s) -> Float64s:
    """1.4826 times the median distance from 0 of each column, drawn to the typical one where rows are few."""
    rows = np.isfinite(x).sum(axis=0)
    if not rows.any():
        return np.ones(x.shape[1])
    own = 1.4826 * np.nanmedian(np.abs(np.where(rows > 0, x, 0.0)), axis=0).astype(np.float64)
    known = own[(own > 0) & (rows > 1)]
    typical = float(np.median(known)) if known.size else 1.0
    spread: Float64s = np.sqrt((rows * own**2 + TYPICAL_ROWS * typical**2) / (rows + TYPICAL_ROWS))
    return np.maximum(spread, LEAST_SPREAD)


@numba.njit(cache=True, nogil=True)
def _z_scores(  # noqa: PLR0917 - compiled: arrays only
    own: Float32s,
    z: Float32s,
    level: Float32s,
    relearning: Bools,
    own_sd: Float64s,
    moved_sd: Float64s,
    level_sd: Float64s,
) -> Float64s:  # pragma: no cover - compiled
    out = np.full(z.shape, np.nan)
    for r in range(z.shape[0]):
        for c in range(z.shape[1]):
            before, change, now = np.float64(own[r, c]), np.float64(z[r, c]), np.float64(level[r, c])
            if np.isnan(now) or relearning[r, c]:
                continue
            sound = _normal(before, own_sd[c])
            stood = STOOD_BEFORE * _defect(before)
            unmoved = _normal(change, moved_sd[c])
            healthy = sound * unmoved + stood * _normal(now, level_sd[c])
            defective = sound * _defect(change) + stood * (unmoved + CHANGED_SINCE * _defect(now))
            odds = defective / max(healthy, LEAST_DENSITY) / (_defect(0.0) * moved_sd[c])
            side = change if abs(change) > abs(before) else now
            out[r, c] = np.sign(side) * np.sqrt(2 * np.log(max(odds, 1.0)))
    return out


@numba.njit(cache=True, nogil=True)
def _normal(x: float, sd: float) -> float:  # pragma: no cover - compiled
    """Normal density, times the square root of 2 pi."""
    return float(np.exp(-0.5 * (x / sd) ** 2) / sd)


@numba.njit(cache=True, nogil=True)
def _defect(x: float) -> float:  # pragma: no cover - compiled
    """Cauchy density, times the same."""
    return float(np.sqrt(2 / np.pi) / DEFECT_SIGMAS / (1 + (x / DEFECT_SIGMAS) ** 2))
