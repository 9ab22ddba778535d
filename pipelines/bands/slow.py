"""How the slow healthy movement of levels follows a vehicle's own scatter: a family's sample in, one number out.

A vehicle that scatters half as much may wander half as much, or as much as any: sensors and readers scatter, engines
wander. What the pooled noise holds of slow movement is scaled with it all the same, so that where wander does not
follow, calm vehicles need more of it than others, and the number comes out below 0.

Source: linear regression with Huber's weights (Huber 1964) of each vehicle's wander, by moments of differences.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np

from pipelines.bands.built_in import ENOUGH_PEERS
from pipelines.bands.fit import Fit
from pipelines.bands.noise import HUBER, counted_share
from pipelines.bands.normal import COMPARED, LEAST_WANDER
from pipelines.bands.scatter import CUT
from pipelines.handover import Float64s, Int64s

APART = (COMPARED, 2 * COMPARED)  # days between the two readings of a pair: as changes are told; judgement
FARTHER = 1.5  # times as many at most, where none was taken then; judgement
EVERY = 3  # readings from one pair to the next: those that share most of their time say little more; for speed
ROUNDS = 10  # of Huber's weights; numerical
# Variance per day, in the noise's, by which wander may follow the square of a scale, about none, and by which families
# differ in it: as much as it is as a rule, and a quarter of that; judgement.
PRIOR_SD, FAMILIES_DIFFER = 2e-3, 5e-4


@dataclass(frozen=True, kw_only=True)
class Followed:
    """By how much wander grows with the square of a scale, per day in noise variances; the variance of its error."""

    slope: float
    error: float


class Pairs(NamedTuple):
    """Two rows each, and their vehicle; [n]."""

    first: Int64s
    second: Int64s
    vehicle: Int64s


@numba.njit(cache=True, nogil=True, error_model="numpy")
def own_wander(wander, followed, sigma, scale):  # type: ignore[no-untyped-def]
    """Variance that a level gains in a day where noise scatters `scale` times the pooled sigma.

    Args:
        wander: Of a usual vehicle.
        followed: By how much it grows with the square of the scale.
        sigma: Pooled marginal sd of the noise.
        scale: Of the series.
    """
    square = scale * scale
    return max(wander + followed * (square - 1), min(wander, LEAST_WANDER * square * sigma * sigma))


def learn_followed(fit: Fit, noise: dict[str, Float64s], scale: Float64s) -> Followed:
    """What a sample of a family shows.

    Args:
        fit: The family's sample.
        noise: Its pooled noise: `sigma, memory_days, rounding, wander`, each [C].
        scale: [C, V] of its series.
    """
    vehicle = np.repeat(np.arange(len(fit.row_start) - 1), np.diff(fit.row_start))
    place = np.arange(len(fit.day)) - fit.row_start[vehicle]
    at = place % EVERY == 0
    rows = np.flatnonzero(at & (place > 0))
    said, fast, _ = _sums(fit, noise, scale, Pairs(rows - 1, rows, vehicle[rows]), by_fast=True)
    known = fast > 0
    own = said[known] / fast[known]  # of the noise itself, by neighbours
    total = np.zeros((3, len(known)))
    moment = vehicle * 1e6 + (fit.day - fit.day.min(initial=0.0))
    for days in APART:
        before = np.searchsorted(moment, moment - days, side="right") - 1
        apart = fit.day - fit.day[before]
        rows = np.flatnonzero(at & (before >= fit.row_start[vehicle]) & (apart <= FARTHER * days))
        total += _sums(fit, noise, scale, Pairs(before[rows], rows, vehicle[rows]), by_fast=False)
    said, fast, unit = total[:, known]
    shown = unit > 0
    wander = (said[shown] - own[shown] * fast[shown]) / unit[shown]
    return _regressed((scale[:, known] ** 2).mean(axis=0)[shown], wander)


def _sums(fit: Fit, noise: dict[str, Float64s], scale: Float64s, pairs: Pairs, *, by_fast: bool) -> Float64s:
    """[3, V] of pairs, weighed: squared differences without rounding, noise in them, unit of wander in them.

    by_fast: weighed by what they say of the noise, wander taken off; else of wander.
    """
    first, second, vehicle = pairs
    sigma, memory, rounding, wander = (noise[name][:, None] for name in ("sigma", "memory_days", "rounding", "wander"))
    days = (fit.day[second] - fit.day[first])[None]
    unit, slow = sigma**2 * days, wander * days
    fast = -2 * sigma**2 * np.expm1(-days / memory) * scale[:, vehicle] ** 2
    every = np.maximum(fast + slow + 2 * rounding, 1e-300)
    difference = fit.healthy[:, second].astype(np.float64) - fit.healthy[:, first]
    alike = np.isfinite(difference) & (fit.epoch[:, first] == fit.epoch[:, second])
    square = np.minimum(np.nan_to_num(difference) ** 2, CUT**2 * every) / counted_share(CUT**2) - 2 * rounding
    weight = np.where(alike, (fast if by_fast else unit) / every**2, 0.0)
    parts = (square - slow if by_fast else square), fast, unit
    return np.array([np.bincount(vehicle, (weight * part).sum(axis=0), scale.shape[1]) for part in parts])


def _regressed(square: Float64s, wander: Float64s) -> Followed:
    """Slope of wander on squared scales; what scatters more says less of its own."""
    count = len(square)
    if count < ENOUGH_PEERS:
        return Followed(slope=0.0, error=np.inf)
    each, trust = 1 / np.maximum(square, 1e-2), np.ones(count)  # roots of the weights; trust: Huber's
    for _ in range(ROUNDS):
        weight = each**2 * trust
        about = square - np.average(square, weights=weight)
        spread = float((weight * about**2).sum())
        if spread <= 0:
            return Followed(slope=0.0, error=np.inf)
        slope = float((weight * about * wander).sum() / spread)
        left = (wander - np.average(wander, weights=weight) - slope * about) * each
        far = HUBER * max(1.4826 * float(np.median(np.abs(left))), 1e-300)
        trust = np.minimum(1.0, far / np.maximum(np.abs(left), 1e-300))
    drawn = np.minimum(np.abs(left), far)
    error = float(((each * about * drawn) ** 2).sum()) / spread**2 * count / (count - 2)
    return Followed(slope=slope, error=error)


def pooled_followed(shown: Sequence[Followed], trusted: Int64s) -> Float64s:
    """[F] each family's slope, drawn to all families', and that to none.

    Args:
        shown: Each family's.
        trusted: [F] how far what it shows counts for others; those count that can be trusted most.
    """
    slope = np.array([one.slope for one in shown])
    error = np.array([one.error for one in shown])
    elder = np.where(trusted == trusted.max(initial=0), 1 / (error + FAMILIES_DIFFER**2), 0.0)
    every = (elder * slope).sum() / (elder.sum() + 1 / PRIOR_SD**2)
    own = FAMILIES_DIFFER**2 / (FAMILIES_DIFFER**2 + error)
    drawn: Float64s = own * slope + (1 - own) * every
    return drawn
