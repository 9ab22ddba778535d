"""A hazard over the steps ahead, learned from person-time and monotone where physics says so; arrays in, hazards out.

The likelihood is that of events in person-time (Poisson with the days at risk as exposure), which for hazards that
are level within each step is the likelihood of the survival times. Faults that nothing announces come beside those
that the figures announce, and their hazards add up: in one log hazard the sudden ones would flatten the announced.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from pipelines.forecast.time_grid import DAYS, SLIDE, hazard_of_odds
from pipelines.handover import Float64s, Int64s

ENOUGH = 3e-6  # relative fall of the loss below which a fit is done; numerical
LOWEST, HIGHEST = -16.0, 12.0  # log odds of a fault in a step: beyond these nothing is learned from; numerical
UNANNOUNCED = 0.5  # share of the faults that nothing announces, beforehand: judgement,
BELIEF_IN_UNANNOUNCED = 0.5  # and one over the variance of its log; judgement


@dataclass(frozen=True, kw_only=True)
class Signs:
    """What hazards are learned from.

    Attributes:
        now: Figures known at the origin, [n, F].
        rising: 1: the risk may only rise with it; 0: free, [F].
        ahead: Figures of each step ahead, all rising, [n, L, A].
    """

    now: Float64s
    rising: Int64s
    ahead: Float64s

    def only(self, now: list[int], ahead: list[int]) -> "Signs":
        """Some of the figures."""
        return Signs(now=self.now[:, now], rising=self.rising[now], ahead=self.ahead[:, :, ahead])


@dataclass(frozen=True, kw_only=True)
class LinearHazard:
    """A steady hazard, and one whose log odds are a weighted sum; weights slide from knot to knot of the steps ahead.

    Attributes:
        steady: Log of the faults a day that nothing announces.
        centre: Of each figure, those known now first, [F + A].
        scale: Of each figure, [F + A].
        level: Of each step, [L].
        now: Weights of what is known now at each knot, [K, F].
        ahead: Weights of the figures ahead, [A].
    """

    steady: float
    centre: Float64s
    scale: Float64s
    level: Float64s
    now: Float64s
    ahead: Float64s

    def announced(self, signs: Signs) -> Float64s:
        """Log odds of a fault that the figures announce in each step, [n, L]."""
        now, ahead = _standardised(signs, self.centre, self.scale)
        return np.clip(self.level + now @ self.now.T @ SLIDE + ahead @ self.ahead, LOWEST, HIGHEST)

    def log_hazard(self, signs: Signs) -> Float64s:
        """Log of all faults a day in each step, [n, L]."""
        both: Float64s = np.log(np.exp(self.steady) + hazard_of_odds(self.announced(signs))[0])
        return both


def learn_linear(signs: Signs, days: Float64s, faults: Float64s, *, distinct: float, belief: float) -> LinearHazard:
    """Ridge Poisson regression with weights of at least 0 on rising figures.

    Args:
        signs: What was known, n rows.
        days: Weighted days at risk in each step, [n, L].
        faults: Weighted faults in each step, [n, L].
        distinct: Distinct faults behind the rows; the prior is weighed against them.
        belief: Of the prior that a weight is 0: 1 / its variance.
    """
    exposed = days.sum(axis=1)
    weight = exposed / exposed.sum()
    flat = np.column_stack([signs.now, signs.ahead.mean(axis=1)])
    centre = weight @ flat
    spread = np.sqrt(weight @ (flat - centre) ** 2)
    scale = np.where(spread > 1e-9, spread, 1.0)
    now, ahead = _standardised(signs, centre, scale)
    event_weight = distinct / max(float(faults.sum()), 1e-12)
    exposure, hits = event_weight * days, event_weight * faults
    knots, steps, count, extra = *SLIDE.shape, now.shape[1], ahead.shape[2]
    parts = (1, 1 + steps, 1 + steps + knots * count)
    rate = np.log(np.maximum(faults.sum(axis=0), 0.5 / event_weight) / np.maximum(days.sum(axis=0), 1e-12))
    steady = np.log(UNANNOUNCED) + np.log(max(faults.sum(), 0.5 / event_weight) / exposed.sum())
    expected_beforehand = np.concatenate([[steady], np.zeros(steps + knots * count + extra)])

    def loss(line: Float64s) -> tuple[float, Float64s]:
        flat, level, weights, then = np.split(line, parts)
        linear = level + now @ weights.reshape(knots, count).T @ SLIDE + ahead @ then
        at = np.clip(linear, LOWEST, HIGHEST)
        announced, slope = hazard_of_odds(at)
        hazard = announced + np.exp(flat[0])
        expected = exposure * hazard
        surplus = (expected - hits) / hazard
        unannounced = surplus.sum() * np.exp(flat[0])
        error = np.where(at == linear, surplus * slope, 0.0)
        gradient = np.concatenate(
            [[unannounced], error.sum(axis=0), (SLIDE @ error.T @ now).ravel(), np.einsum("nl,nla->a", error, ahead)]
        )
        away = line - expected_beforehand
        value = (expected - hits * np.log(hazard)).sum() + 0.5 * (ridge * away**2).sum()
        return float(value), gradient + ridge * away

    ridge = np.concatenate(
        [[BELIEF_IN_UNANNOUNCED], np.zeros(steps), np.full(knots * count, belief / knots), np.full(extra, belief)]
    )
    start = np.concatenate([[steady], rate + np.log((1 - UNANNOUNCED) * DAYS), np.zeros(knots * count + extra)])
    rising = [(0.0, None) if up else (None, None) for up in signs.rising]
    bounds = [(LOWEST, HIGHEST)] + [(None, None)] * steps + rising * knots + [(0.0, None)] * extra
    fitted = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": ENOUGH})
    flat, level, weights, then = np.split(fitted.x, parts)
    return LinearHazard(
        steady=float(flat[0]), centre=centre, scale=scale, level=level, now=weights.reshape(knots, count), ahead=then
    )


def _standardised(signs: Signs, centre: Float64s, scale: Float64s) -> tuple[Float64s, Float64s]:
    count = signs.now.shape[1]
    now = np.clip((signs.now - centre[:count]) / scale[:count], -8, 8)
    return now, np.clip((signs.ahead - centre[count:]) / scale[count:], -8, 8)
