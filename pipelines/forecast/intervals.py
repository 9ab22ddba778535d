"""A discrete-time hazard over 0-7, 7-30 and 30-90 days, each interval learned from the origins still at risk in it."""

from dataclasses import dataclass

import numpy as np

from pipelines.forecast.failure_direction import held_out_scores, learn_direction
from pipelines.forecast.features import Features
from pipelines.forecast.learners import BoostedHazard, LogisticHazard, learn_boosted, learn_logistic
from pipelines.forecast.past import HORIZONS, Past
from pipelines.forecast.prior import PriorHazard
from pipelines.handover import Bools, Float64s

DIRECTION_HORIZON = 1  # readings within 30 days of a fault show what failing looks like
FEWEST_FAULTS = 8  # in an interval, to learn its hazard; with fewer the prior stands in it
METHODS = ("logistic", "boosted", "both")


@dataclass(frozen=True, kw_only=True)
class IntervalHazards:
    """Learned hazards of the three intervals.

    Attributes:
        direction: How failing vehicles leave their peers, [codes].
        logistic: One for each interval; None: too few faults in it, the prior stands.
        boosted: The same.
        prior: The forecast without learning.
    """

    direction: Float64s
    logistic: tuple[LogisticHazard | None, ...]
    boosted: tuple[BoostedHazard | None, ...]
    prior: PriorHazard

    def predict(self, features: Features) -> dict[str, Float64s]:
        """Probability within 7, 30, 90 days by each method, [n, 3], rising with the horizon."""
        values = np.column_stack([features.values, features.deviations @ self.direction])
        survival = 1 - np.column_stack([np.zeros(len(values)), self.prior.probabilities(features)])
        without = list((1 - survival[:, 1:] / survival[:, :-1]).T)
        found = {}
        for name, hazards in (("logistic", self.logistic), ("boosted", self.boosted)):
            pairs = zip(hazards, without, strict=True)
            found[name] = _within([hazard.predict(values) if hazard else prior for hazard, prior in pairs])
        odds = [np.log(p / (1 - p)) for p in found.values()]
        found["both"] = 1 / (1 + np.exp(-np.mean(odds, axis=0)))
        return found


def learn_intervals(past: Past, *, until: float, seed: int) -> IntervalHazards | None:
    """Learns from outcomes known by a time; None: too few faults by then.

    Args:
        past: The fleet's past.
        until: Days since 1970; nothing that was known later is used.
        seed: Of the boosting.
    """
    at_risk = [_at_risk(past, until, k) for k in range(len(HORIZONS))]
    enough = [past.distinct_faults(rows, k) >= FEWEST_FAULTS for k, rows in enumerate(at_risk)]
    if not any(enough):
        return None
    seen = past.judged_by(until, DIRECTION_HORIZON)
    fault, weight = past.faults[:, DIRECTION_HORIZON], past.weights[:, DIRECTION_HORIZON] * seen
    faults = past.distinct_faults(seen, DIRECTION_HORIZON)
    deviations = past.features.deviations
    direction = learn_direction(deviations, fault, weight, faults=faults)
    held_out = held_out_scores(deviations, fault, weight, past.origins.vehicle, faults=faults)
    values = np.column_stack([past.features.values, held_out])
    rising = np.append(past.features.rising, 1)
    logistic: list[LogisticHazard | None] = [None] * len(HORIZONS)
    boosted: list[BoostedHazard | None] = [None] * len(HORIZONS)
    for k in np.flatnonzero(enough):
        rows = at_risk[k]
        data = (values[rows], past.faults[rows, k], past.weights[rows, k])
        logistic[k] = learn_logistic(*data, rising=rising, faults=past.distinct_faults(rows, k))
        boosted[k] = learn_boosted(*data, rising=rising, seed=seed)
    return IntervalHazards(
        direction=direction, logistic=tuple(logistic), boosted=tuple(boosted), prior=past.prior
    )


def _at_risk(past: Past, until: float, k: int) -> Bools:
    """Rows of known outcome without a fault before the interval begins."""
    begins = HORIZONS[k - 1] if k else 0.0
    return past.judged_by(until, k) & (past.outcomes.fault > begins)


def _within(hazards: list[Float64s]) -> Float64s:
    survival = np.cumprod(1 - np.clip(np.column_stack(hazards), 0, 1), axis=1)
    probability: Float64s = np.clip(1 - survival, 1e-6, 1 - 1e-6)
    return probability
