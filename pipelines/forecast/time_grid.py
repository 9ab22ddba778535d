"""The times ahead that a hazard is reckoned for: from now to 90 days, in steps short enough to be level within."""

import numpy as np

from pipelines.handover import Float64s

HORIZONS = (7, 30, 90)  # days, those published; definition
# D ahead, where each step ends, [L]; judgement.
ENDS: Float64s = np.array([7.0, 14.0, 22.0, 30.0, 45.0, 60.0, 75.0, 90.0])
BEGINS: Float64s = np.concatenate([[0.0], ENDS[:-1]])  # [L]; derived
DAYS: Float64s = ENDS - BEGINS  # [L]
MIDDLES: Float64s = (BEGINS + ENDS) / 2  # [L]; derived
AT_HORIZON = np.searchsorted(ENDS, HORIZONS)  # the step that ends at each horizon, [3]
# Steps between which weights slide: week, month, quarter; judgement.
KNOTS: Float64s = np.array([0.0, 3.0, len(ENDS) - 1.0])
SLIDE: Float64s = np.stack([np.interp(np.arange(len(ENDS)), KNOTS, unit) for unit in np.eye(len(KNOTS))])  # [K, L]


def horizon_sums(steps: Float64s) -> Float64s:
    """Sums of figures of each step up to 7, 30 and 90 days, [n, 3], from [n, L]."""
    summed: Float64s = np.cumsum(steps, axis=1)[:, AT_HORIZON]
    return summed


def within_horizons(hazard: Float64s) -> Float64s:
    """Probability of a fault within 7, 30 and 90 days, [n, 3], from the hazard of each step (faults a day), [n, L]."""
    probability: Float64s = -np.expm1(-horizon_sums(hazard * DAYS))
    return np.clip(probability, 1e-6, 1 - 1e-6)


def hazard_of(survival: Float64s) -> Float64s:
    """Hazard of each step (faults a day), [n, L], from the share that survives to its end, [n, L]."""
    clipped = np.clip(survival, 1e-12, 1.0)
    hazard: Float64s = -np.diff(np.log(clipped), axis=1, prepend=0.0) / DAYS
    return np.maximum(hazard, 0.0)


def hazard_of_odds(log_odds: Float64s) -> tuple[Float64s, Float64s]:
    """(hazard, its slope by the log odds), faults a day in each step, [n, L] each.

    Where a fault is all but certain its hazard grows as the log odds do, no longer as their exponential: wear that ends
    in a fault at a nearly known time is far from certain to end in it today.

    Args:
        log_odds: Of a fault by the end of each step, if none came before it, [n, L].

    Source: Cox (1972), Regression models and life-tables, discrete time.
    """
    odds = np.exp(log_odds)
    return np.log1p(odds) / DAYS, odds / (1 + odds) / DAYS


def odds_of_hazard(hazard: Float64s) -> Float64s:
    """Log odds of a fault by the end of each step from its hazard (faults a day), [n, L]; turns the above around."""
    expected = np.maximum(hazard * DAYS, 1e-12)
    log_odds: Float64s = expected + np.log(-np.expm1(-expected))
    return log_odds
