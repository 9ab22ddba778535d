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
from typing import Any, NamedTuple

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


class Rows(NamedTuple):
    """One correction at a family's rows, [R]: readings (NaN: not read), epoch of learning, False while relearning, day.

    block: row of the law that holds then.
    """

    values: Any
    epoch: Any
    settled: Any
    day: Any
    block: Any


class Law(NamedTuple):
    """How one correction scatters in health, and when its readings say nothing.

    spread: [B] of `SERIES_SPREAD`. stands: [B] repeats in a row from which a series stands. low, high: up to and from
    which a value is held by its limit; NaN: nowhere. step: in which values come.
    """

    spread: Any
    stands: Any
    low: float
    high: float
    step: float


class Said(NamedTuple):
    """What rows say, [R], filled.

    of_vehicle: [R, 3] receives, added, what each row says of the vehicle's scale, the information of that, and whether
    the series jumped. weight: of the series' own scale against its vehicle's, as known before the row. own: that scale
    times its weight.
    """

    of_vehicle: Any
    weight: Any
    own: Any


@numba.njit(cache=True, nogil=True)
def listen(rows, law, first, last, series, said):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take rows `first` to `last` [V] of each vehicle into what is known of one correction's series.

    Args:
        rows: `Rows`.
        law: `Law`.
        first: [V].
        last: [V].
        series: [V] of `SERIES_SCATTER`, as they stand before `first`; brought to `last`.
        said: `Said`.
    """
    block, day = rows.block, rows.day
    for v in range(len(first)):
        s = series[v]
        total, information, value, before, now, repeated = (
            s.total, s.information, s.value, s.day, s.epoch, s.repeated
        )  # fmt: skip
        fresh = True
        for r in range(first[v], last[v]):
            m = law.spread[block[r]]
            if fresh or block[r] != block[r - 1]:
                s.weight = s.own = 0.0
                if information > 0:
                    s.weight = m.series_spread * information / (m.series_spread * information + m.reading_error)
                    s.own = s.weight * max(1 + total / information, LEAST_SCALE)
                fresh = False
            said.weight[r], said.own[r] = s.weight, s.own
            x = rows.values[r]
            if np.isnan(x):
                continue
            repeated = repeated + 1 if x == value else 0
            if is_unlearned(x, repeated, law.stands[block[r]], law.low, law.high) or not rows.settled[r]:
                continue
            if rows.epoch[r] == now and day[r] > before:
                scale = 1 + total / (CUT_READINGS + information)
                noise = m.sigma, m.memory_days, m.rounding, m.wander
                of_scale, weighs, jumped = says(x - value, day[r] - before, noise, m.mean_scale, law.step, scale)
                total += of_scale
                information += weighs
                said.of_vehicle[r, 0] += of_scale
                said.of_vehicle[r, 1] += weighs
                said.of_vehicle[r, 2] += jumped
                fresh = True
            value, before, now = x, day[r], rows.epoch[r]
        s.total, s.information, s.value, s.day, s.epoch, s.repeated = total, information, value, before, now, repeated


@numba.njit(cache=True, nogil=True)
def vehicle_scales(of_vehicle, row_start, block, spread):  # type: ignore[no-untyped-def]
    """[R], [R] each vehicle's own scale (the family's mean: 1) as known before a row, and the variance of its error.

    Args:
        of_vehicle: [R, 3] as `listen` gives it.
        row_start: [V + 1].
        block: [R] row of `spread` that holds then.
        spread: [B] of `VEHICLE_SPREAD`.
    """
    scale, variance = np.empty(len(of_vehicle)), np.empty(len(of_vehicle))
    for v in range(len(row_start) - 1):
        total = information = 0.0
        for r in range(row_start[v], row_start[v + 1]):
            m = spread[block[r]]
            between, occasion, usual = m.vehicle_spread, m.occasion_error, m.occasion_information
            scale[r], variance[r] = 1.0, between
            if information > 0:
                scale_of_all = max(1 + total / information, LEAST_SCALE)
                error = occasion * usual / information * scale_of_all * scale_of_all
                weight = between / (between + error) if between > 0 else 0.0
                scale[r] = 1 + weight * (scale_of_all - 1)
                variance[r] = weight * error
            total += of_vehicle[r, 0]
            information += of_vehicle[r, 1]
    return scale, variance


@numba.njit(cache=True, nogil=True)
def series_scales(scale, variance, weight, own, block, spread, widening):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """[R] what the pooled sd of one correction is multiplied by: a series' scale, widened by what is uncertain of it.

    Args:
        scale: [R] of the vehicle.
        variance: [R] of its error.
        weight: [R] of the series' own.
        own: [R] that, times its weight.
        block: [R].
        spread: [B] of `SERIES_SPREAD`.
        widening: [B, K] factors for squared relative errors of `WIDENINGS`.
    """
    out = np.empty(len(scale))
    last = len(WIDENINGS) - 1
    for r in range(len(scale)):
        b = block[r]
        left = 1 - np.float64(weight[r])
        one = max(left * scale[r] + own[r], LEAST_SCALE)
        error = (left * left * variance[r] + left * spread[b].series_spread * scale[r] * scale[r]) / (one * one)
        at = min(error / WIDENINGS[1], np.float64(last))
        k = min(int(at), last - 1)
        out[r] = spread[b].mean_scale * one * (widening[b, k] + (at - k) * (widening[b, k + 1] - widening[b, k]))
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
