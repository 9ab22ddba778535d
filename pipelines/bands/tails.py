"""Healthy innovations: a family's fit in, those whose normal scores are `SCORES` out, and how they go together."""

import numpy as np
from scipy.special import ndtr

from pipelines.bands.fit import Fit
from pipelines.bands.innovations import astray, innovations
from pipelines.bands.normal import SCORES
from pipelines.handover import Bools, Float64s

LEAST_GAP = 0.15  # between knots: keeps the scores from rising faster than rounding allows; judgement
WARM_UP = 4  # first innovations of an epoch, left out; judgement
LEAST_BEYOND = 5.0  # innovations that must lie beyond a quantile for it to be shown; judgement
LEAST_APART = 0.02  # log quantiles of the family's shape and the normal's between which a place can be told; judgement
LEAST_VARIANCE = 0.05  # of what corrections do together, in any direction, against one alone; judgement
BURSTS = 2.0  # innovations that come together and count as one: a gap in the season reaches many at once; judgement
BEYOND = 2 * (1 - ndtr(SCORES[1:]))  # share of normal innovations beyond each score; derived
# -d log share / d log quantile; derived.
STEEPNESS = SCORES[1:] * np.exp(-(SCORES[1:] ** 2) / 2) * np.sqrt(2 / np.pi) / BEYOND


def healthy_innovations(fit: Fit, noise: dict[str, Float64s], scale: Float64s, followed: float) -> Float64s:
    """[C, R] innovations of a sample, in their own sd by the fitted noise; NaN: none, or among others of one side.

    Args:
        fit: The family's sample.
        noise: Its pooled noise.
        scale: [C, V] of each series' noise against that, or vehicles that differ would pass for tails.
        followed: By how much wander grows with its square, in noise variances.
    """
    innovation = innovations(
        fit.healthy,
        fit.epoch,
        fit.row_start,
        fit.day,
        scale,
        noise["sigma"],
        noise["memory_days"],
        noise["rounding"],
        noise["wander"],
        followed * noise["sigma"] ** 2,
        noise["offset_sd"],
        WARM_UP,
    )
    healthy: Float64s = np.where(astray(innovation, fit.epoch, fit.row_start), np.nan, innovation)
    return healthy


def correlation(innovation: Float64s) -> Float64s:
    """[C, C] of innovations [C, R], each drawn to none as far as chance made it.

    Pair by pair: what few go together with, as one cylinder's or one sensor's corrections, is not drawn to none by all
    the others that do not, which would make their sum look quieter than it is.

    Source: Breiman (1995), Technometrics 37(4), 373-384, the garotte; what is left of an estimate r of variance v.
    """
    read = np.isfinite(innovation).astype(np.float64)
    cut = np.clip(np.nan_to_num(innovation), -SCORES[-1], SCORES[-1])
    count, square = read @ read.T, cut**2 @ read.T
    both = cut @ cut.T / np.maximum(np.sqrt(square * square.T), 1e-12)
    np.fill_diagonal(both, 0.0)
    chance = BURSTS * (1 - both**2) ** 2 / np.maximum(count, 1.0)
    drawn = both * np.maximum(1 - chance / np.maximum(both**2, 1e-12), 0.0) + np.eye(len(both))
    size, axes = np.linalg.eigh(drawn)  # pairs that were read at other times may contradict each other
    drawn = (axes * np.maximum(size, LEAST_VARIANCE)) @ axes.T
    sd = np.sqrt(np.diag(drawn))
    of: Float64s = drawn / (sd[:, None] * sd)
    return of


def tail_table(innovation: Float64s) -> Float64s:
    """[C, 8] quantiles of healthy innovations [C, R] at the normal scores `SCORES`.

    All vehicles together, because one alone shows no tail; each correction leans on the shape that the family's
    corrections share, the more, the more alike they are (empirical Bayes on log quantiles). Heavier tails than the
    normal's, or noise underrated, then raise no alarm.
    """
    size = np.abs(innovation)
    common = _quantiles(np.sort(size[np.isfinite(size)]))
    counts = np.isfinite(size).sum(axis=1)
    by_correction = np.array([_quantiles(np.sort(row[np.isfinite(row)])) for row in size])
    knots = _further(common * np.exp(_drawn(np.log(by_correction / common), counts)), common, counts)
    table = np.zeros((len(size), len(SCORES)))
    table[:, 1:] = np.maximum.accumulate(np.maximum(knots, LEAST_GAP * np.arange(1, len(SCORES))), axis=1)
    table[:, 1:] += 1e-6 * np.arange(1, len(SCORES))
    return table


def _drawn(apart: Float64s, counts: Float64s) -> Float64s:
    """[C, 7] log quantiles against the common ones, drawn to none by how much chance made of them."""
    error2 = BURSTS * (1 - BEYOND) / (BEYOND * np.maximum(counts, 1.0)[:, None]) / STEEPNESS**2
    weight = np.where(_shown(counts), 1 / error2, 0.0)
    spread2 = (weight * (apart**2 - error2)).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-300)
    drawn: Float64s = apart * np.maximum(spread2, 0.0) / (np.maximum(spread2, 0.0) + error2)
    return drawn


def _further(knots: Float64s, common: Float64s, counts: Float64s) -> Float64s:
    """[C, 7] the same where a correction shows its quantiles; from the last of them on it goes on in proportion.

    As the normal's or as the family's common ones, by where between them the last lies.
    """
    last = np.maximum(_shown(counts).sum(axis=1), 1)[:, None] - 1
    of_knots, of_common, of_normal = (np.log(np.take_along_axis(row, last, axis=1)) for row in (
        knots, np.broadcast_to(common, knots.shape), np.broadcast_to(SCORES[1:], knots.shape)
    ))  # fmt: skip
    apart = of_common - of_normal
    share = np.clip((of_knots - of_normal) / np.where(np.abs(apart) > LEAST_APART, apart, np.inf), 0, 1)
    on = of_knots + (1 - share) * (np.log(SCORES[1:]) - of_normal) + share * (np.log(common) - of_common)
    further: Float64s = np.where(np.arange(len(common)) > last, np.exp(on), knots)
    return further


def _shown(counts: Float64s) -> Bools:
    """[C, 7] quantiles that so many innovations can show."""
    is_shown: Bools = counts[:, None] * BEYOND >= LEAST_BEYOND
    return is_shown


def _quantiles(ordered: Float64s) -> Float64s:
    """Quantiles of sorted values; beyond what their number can show, as far out again as the normal's."""
    if len(ordered) < 50:
        return SCORES[1:].copy()
    size = np.maximum(np.quantile(ordered, 1 - BEYOND), 1e-3)
    is_shown = BEYOND * len(ordered) >= LEAST_BEYOND
    last = int(np.flatnonzero(is_shown)[-1])
    quantiles: Float64s = np.where(is_shown, size, size[last] * np.maximum(SCORES[1:] / SCORES[1 + last], 1))
    return quantiles
