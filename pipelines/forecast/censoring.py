"""Weights for outcomes that stayed in sight, standing for those that a repair or a lost record hid.

A workshop repairs the vehicles that look worst, so the ones it left alone are too healthy a sample; those still in
sight at the same forecast count for them (inverse probability of censoring; Robins and Rotnitzky, 1992).
"""

import numpy as np

from pipelines.forecast.outcomes import Outcomes
from pipelines.forecast.scores import remaining_survival
from pipelines.handover import Float64s, Int64s

LARGEST_WEIGHT = 10.0
STRATA_SHARES = (0.5, 0.8, 0.9, 0.95, 0.98, 0.995)


def risk_strata(risk: Float64s) -> Int64s:
    """Sorts rows into seven strata by some forecast of risk, [n]; narrower where the risk is high."""
    edges = np.quantile(risk, STRATA_SHARES) if len(risk) else np.zeros(len(STRATA_SHARES))
    strata: Int64s = np.searchsorted(edges, risk, side="left")
    return strata


def censoring_weights(outcomes: Outcomes, days: float, strata: Int64s) -> Float64s:
    """Weight of each row whose outcome within `days` is known; 0 where it is not, [n].

    Args:
        outcomes: What followed.
        days: The horizon.
        strata: Rows of one stratum are repaired as often as each other, [n].
    """
    known, fault = outcomes.within(days)
    hidden = np.minimum(outcomes.repair, outcomes.unseen)
    seen = np.minimum(np.minimum(hidden, outcomes.fault), days)
    censored = (hidden < np.minimum(outcomes.fault, days)).astype(np.float64)
    weights = np.zeros(len(seen))
    for stratum in np.unique(strata):
        mine = (strata == stratum) & ~outcomes.found_late
        until = np.where(fault[mine] == 1, seen[mine], days)
        in_sight = remaining_survival(seen[mine], censored[mine], until - 1e-6)
        weights[mine] = known[mine] / np.maximum(in_sight, 1 / LARGEST_WEIGHT)
    return weights
