"""Weights for outcomes that stayed in sight, standing for those that a repair or a lost record hid.

A workshop repairs the vehicles that look worst, so the ones it left alone are too healthy a sample; those still in
sight at the same forecast count for them (inverse probability of censoring; Robins and Rotnitzky, 1992).
"""

import numpy as np

from pipelines.forecast.outcomes import Outcomes
from pipelines.forecast.scores import remaining_survival
from pipelines.forecast.time_grid import BEGINS, ENDS
from pipelines.handover import Float64s, Int64s

LARGEST_WEIGHT = 10.0  # of one row, so that none speaks for many; judgement
STRATA_SHARES = (0.5, 0.8, 0.9, 0.95, 0.98, 0.995)  # quantiles of risk between which censoring is one; judgement


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
    known, _ = outcomes.within(days)
    ends = np.minimum(outcomes.fault, days)
    return known * _inverse_shares_in_sight(np.minimum(outcomes.repair, outcomes.unseen), ends, outcomes, strata)


def repair_weights(outcomes: Outcomes, strata: Int64s) -> Float64s:
    """Weight of each row in each step ahead, for those of its stratum that a repair hid by then, [n, L].

    The end of what is known says nothing of the engine and asks for no weight; how long a row was followed does.

    Args:
        outcomes: What followed.
        strata: Rows of one stratum are repaired as often as each other, [n].
    """
    ends = np.minimum(np.minimum(outcomes.fault, outcomes.unseen), ENDS[-1])
    weights = np.zeros((len(ends), len(BEGINS)))
    for stratum in np.unique(strata):
        in_stratum = (strata == stratum) & ~outcomes.found_late
        seen, censored = (
            np.minimum(outcomes.repair, ends)[in_stratum],
            (outcomes.repair < ends)[in_stratum].astype(np.float64),
        )
        in_sight = remaining_survival(seen, censored, BEGINS)
        weights[in_stratum] = 1 / np.maximum(in_sight, 1 / LARGEST_WEIGHT)
    return weights


def _inverse_shares_in_sight(hidden: Float64s, ends: Float64s, outcomes: Outcomes, strata: Int64s) -> Float64s:
    """1 / the share of each row's stratum that was not hidden before the row ends, at most LARGEST_WEIGHT, [n]."""
    weights = np.zeros(len(ends))
    for stratum in np.unique(strata):
        in_stratum = (strata == stratum) & ~outcomes.found_late
        seen, censored = np.minimum(hidden, ends)[in_stratum], (hidden < ends)[in_stratum].astype(np.float64)
        in_sight = remaining_survival(seen, censored, ends[in_stratum] - 1e-6)
        weights[in_stratum] = 1 / np.maximum(in_sight, 1 / LARGEST_WEIGHT)
    return weights
