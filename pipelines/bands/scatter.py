"""Each vehicle's own scatter: how much its readings scatter against what its family's pooled noise says.

A vehicle has a scale of its own, one number over all its corrections, and on top of it each of its series a smaller
one. Both are known from the readings before (never from the one that is judged) and drawn to what the fleet shows
(empirical Bayes, by what `spread.py` learned of a sample); what stays uncertain widens them. Compiled kernels over one
correction, no frames.

A reading says of the scale what its difference from the one before in its epoch says: a drift hardly moves it, a jump
moves it once, and no difference counts beyond `CUT` of what the series itself shows.

Source: variance components by moments (Searle 1971, Linear Models, chapter 9), best linear predictors from them.
"""

import math

import numba
import numpy as np
from scipy.special import roots_hermitenorm

from pipelines.handover import Float64s
from pipelines.standstill.unlearned import is_unlearned

CUT = 2.5  # sds beyond which a difference counts no further; Huber's psi, 99 % of the normal's efficiency; derived
CUT_READINGS = 4.0  # readings that the pooled scale is worth in where that lies; judgement: few, for a first guess only
# Mean size of a standard normal variable cut at CUT, and the variance of that in squared means; derived.
MEAN_SIZE = math.sqrt(2 / math.pi) * (1 - math.exp(-(CUT**2) / 2)) + CUT * math.erfc(CUT / math.sqrt(2))
LEAST_SCALE = 0.2  # nobody's readings are taken to scatter less than this share of the pooled noise; judgement
# Sds of a difference from which it is a jump: twice where healthy tails are cut (`normal.SCORES`); judgement.
JUMP = 7.0
# Squared relative errors of a scale for which a widening is tabulated; numerical.
WIDENINGS = np.linspace(0.0, 0.12, 25)

# One series, and what it is known by: sum and information of what its readings said; its last reading; repeats of it.
# Beside them what `listen` gave at the last row: the weight of its own scale, and that scale times the weight.
SERIES_SCATTER = np.dtype(
    [(name, "f8") for name in ("total", "information", "value", "day", "weight", "own")]
    + [("epoch", "i4"), ("repeated", "i4")],
    align=True,
)


def blank_scatter(vehicles: int) -> np.ndarray:
    """[V] of `SERIES_SCATTER`: nothing read yet."""
    series = np.zeros(vehicles, dtype=SERIES_SCATTER)
    series["value"] = np.nan
    series["epoch"] = -1
    return series


@numba.njit(cache=True, nogil=True)
def says(difference, days, noise, mean, step, scale):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """What one difference says of a series' scale less 1, times its information; that (1: no rounding); if it jumps.

    Args:
        difference: Of a reading from the one before.
        days: Between them.
        noise: The pooled noise: marginal sd, time constant in days, variance without memory, wander per day.
        mean: Of the family's scales for this correction.
        step: Of the correction: a difference of one step is never cut.
        scale: The scale that the series has shown so far.
    """
    sigma, memory_days, rounding, wander = noise
    expected = 2 * sigma * sigma * (1 - math.exp(-days / memory_days)) + wander * days
    every = expected + 2 * rounding
    sd = math.sqrt(every)
    share = expected / every  # of the variance is noise that scales; the rest is rounding
    usual = mean * max(scale, LEAST_SCALE)
    size, cut = abs(difference) / sd, max(CUT * usual, step / sd)
    return share * (min(size, cut) / (MEAN_SIZE * mean) - 1), share * share, size > max(JUMP * usual, step / sd)


@numba.njit(cache=True, nogil=True)
def listen(  # type: ignore[no-untyped-def]  # noqa: PLR0917
    values, epoch, settled, day, block, first, last, model, stands, held, step, series, told, weight, own
):
    """Take rows `first` to `last` of each vehicle into what is known of one correction's series.

    Args:
        values: [R] readings; NaN: not read.
        epoch: [R] learning epoch of the series.
        settled: [R] False while relearning: what moves then is no scatter.
        day: [R].
        block: [R] row of `model` that holds then.
        first: [V].
        last: [V].
        model: [B, 7] marginal sd of the pooled noise, its time constant, variance without memory, wander, mean scale of
            the correction, variance of series' scales, variance of what a reading says of one.
        stands: [B] repeats in a row from which a series stands, and tells nothing.
        held: Low and high, up to and from which a value is held by its limit, which is no standstill; NaN: nowhere.
        step: Of the correction.
        series: [V] of `SERIES_SCATTER`, as they stand before `first`; brought to `last`.
        told: [R, 3] receives, added, what each row says of the vehicle's scale, the information of that, and whether
            the series jumped.
        weight: [R] output: of the series' own scale against its vehicle's, as known before the row.
        own: [R] output: that scale times its weight.
    """
    for v in range(len(first)):
        s = series[v]
        total, information, value, before, now, repeated = (
            s.total, s.information, s.value, s.day, s.epoch, s.repeated
        )  # fmt: skip
        fresh = True
        for r in range(first[v], last[v]):
            m = model[block[r]]
            if fresh or block[r] != block[r - 1]:
                s.weight = s.own = 0.0
                if information > 0:
                    s.weight = m[5] * information / (m[5] * information + m[6])
                    s.own = s.weight * max(1 + total / information, LEAST_SCALE)
                fresh = False
            weight[r], own[r] = s.weight, s.own
            x = values[r]
            if np.isnan(x):
                continue
            repeated = repeated + 1 if x == value else 0
            if is_unlearned(x, repeated, stands[block[r]], held[0], held[1]) or not settled[r]:
                continue
            if epoch[r] == now and day[r] > before:
                scale = 1 + total / (CUT_READINGS + information)
                said, weighs, jumped = says(x - value, day[r] - before, (m[0], m[1], m[2], m[3]), m[4], step, scale)
                total += said
                information += weighs
                told[r, 0] += said
                told[r, 1] += weighs
                told[r, 2] += jumped
                fresh = True
            value, before, now = x, day[r], epoch[r]
        s.total, s.information, s.value, s.day, s.epoch, s.repeated = total, information, value, before, now, repeated


@numba.njit(cache=True, nogil=True)
def vehicle_scales(told, row_start, block, spread):  # type: ignore[no-untyped-def]
    """[R], [R] each vehicle's own scale (the family's mean: 1) as known before a row, and the variance of its error.

    Args:
        told: [R, 3] as `listen` gives it.
        row_start: [V + 1].
        block: [R] row of `spread` that holds then.
        spread: [B, 3] variance of vehicles' scales, variance of what an occasion of the usual information says, and
            that information.
    """
    scale, variance = np.empty(len(told)), np.empty(len(told))
    for v in range(len(row_start) - 1):
        total = information = 0.0
        for r in range(row_start[v], row_start[v + 1]):
            between, occasion, usual = spread[block[r], 0], spread[block[r], 1], spread[block[r], 2]
            scale[r], variance[r] = 1.0, between
            if information > 0:
                scale_of_all = max(1 + total / information, LEAST_SCALE)
                error = occasion * usual / information * scale_of_all * scale_of_all
                weight = between / (between + error) if between > 0 else 0.0
                scale[r] = 1 + weight * (scale_of_all - 1)
                variance[r] = weight * error
            total += told[r, 0]
            information += told[r, 1]
    return scale, variance


@numba.njit(cache=True, nogil=True)
def series_scales(scale, variance, weight, own, block, model, widening):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """[R] what the pooled sd of one correction is multiplied by: a series' scale, widened by what is uncertain of it.

    Args:
        scale: [R] of the vehicle.
        variance: [R] of its error.
        weight: [R] of the series' own.
        own: [R] that, times its weight.
        block: [R].
        model: [B, 7] as `listen` takes it.
        widening: [B, K] factors for squared relative errors of `WIDENINGS`.
    """
    out = np.empty(len(scale))
    last = len(WIDENINGS) - 1
    for r in range(len(scale)):
        b = block[r]
        left = 1 - np.float64(weight[r])
        one = max(left * scale[r] + own[r], LEAST_SCALE)
        error = (left * left * variance[r] + left * model[b, 5] * scale[r] * scale[r]) / (one * one)
        at = min(error / WIDENINGS[1], np.float64(last))
        k = min(int(at), last - 1)
        out[r] = model[b, 4] * one * (widening[b, k] + (at - k) * (widening[b, k + 1] - widening[b, k]))
    return out


def widenings(threshold: Float64s) -> Float64s:
    """[B, K] by how much a scale whose squared relative error is one of `WIDENINGS` is widened.

    So that evidence beyond the threshold [B] is as rare as with a scale that is known: healthy evidence has the tail
    exp(-h), and a scale that is log-normally wrong makes of it E[exp(-h exp(-2 e))].
    """
    nodes, weights = roots_hermitenorm(80)
    wrong = np.exp(-2 * np.sqrt(WIDENINGS)[:, None] * nodes)
    limit = np.asarray(threshold)[:, None]
    low, high = np.ones((len(limit), len(wrong))), np.full((len(limit), len(wrong)), 20.0)
    for _ in range(40):
        middle = (low + high) / 2
        rate = (np.exp(-(limit * middle)[..., None] * wrong) * weights).sum(axis=-1) / weights.sum()
        rare = rate < np.exp(-limit)
        low, high = np.where(rare, low, middle), np.where(rare, middle, high)
    widening: Float64s = np.sqrt((low + high) / 2)
    return widening
