"""A discrete-time hazard over 0-7, 7-30 and 30-90 days, each interval learned from the origins still at risk in it."""

from dataclasses import dataclass

import numpy as np

from pipelines.forecast.failure_direction import held_out_scores, learn_direction
from pipelines.forecast.features import Features
from pipelines.forecast.learners import BoostedHazard, LogisticHazard, learn_boosted, learn_logistic
from pipelines.forecast.past import HORIZONS, Past
from pipelines.handover import Bools, Float64s

DIRECTION_HORIZON = 1  # readings within 30 days of a fault show what failing looks like
FEWEST_FAULTS = 8  # in each interval, to learn it at all
METHODS = ("logistic", "boosted", "both")


@dataclass(frozen=True, kw_only=True)
class IntervalHazards:
    """Learned hazards of the three intervals.

    Attributes:
        direction: How failing vehicles leave their peers, [codes].
        logistic: One for each interval.
        boosted: One for each interval.
    """

    direction: Float64s
    logistic: tuple[LogisticHazard, ...]
    boosted: tuple[BoostedHazard, ...]

    def predict(self, features: Features) -> dict[str, Float64s]:
        """Probability within 7, 30, 90 days by each method, [n, 3], rising with the horizon."""
        values = np.column_stack([features.values, features.deviations @ self.direction])
        found = {
            "logistic": _within([hazard.predict(values) for hazard in self.logistic]),
            "boosted": _within([hazard.predict(values) for hazard in self.boosted]),
        }
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
    if min(past.distinct_faults(_at_risk(past, until, k), k) for k in range(len(HORIZONS))) < FEWEST_FAULTS:
        return None
    seen = past.judged_by(until, DIRECTION_HORIZON)
    fault, weight = past.faults[:, DIRECTION_HORIZON], past.weights[:, DIRECTION_HORIZON] * seen
    faults = past.distinct_faults(seen, DIRECTION_HORIZON)
    deviations = past.features.deviations
    direction = learn_direction(deviations, fault, weight, faults=faults)
    held_out = held_out_scores(deviations, fault, weight, past.origins.vehicle, faults=faults)
    values = np.column_stack([past.features.values, held_out])
    rising = np.append(past.features.rising, 1)
    logistic, boosted = [], []
    for k in range(len(HORIZONS)):
        rows = _at_risk(past, until, k)
        data = (values[rows], past.faults[rows, k], past.weights[rows, k])
        logistic.append(learn_logistic(*data, rising=rising, faults=past.distinct_faults(rows, k)))
        boosted.append(learn_boosted(*data, rising=rising, seed=seed))
    return IntervalHazards(direction=direction, logistic=tuple(logistic), boosted=tuple(boosted))


def _at_risk(past: Past, until: float, k: int) -> Bools:
    """Rows of known outcome without a fault before the interval begins."""
    begins = HORIZONS[k - 1] if k else 0.0
    return past.judged_by(until, k) & (past.outcomes.fault > begins)


def _within(hazards: list[Float64s]) -> Float64s:
    survival = np.cumprod(1 - np.column_stack(hazards), axis=1)
    probability: Float64s = np.clip(1 - survival, 1e-6, 1 - 1e-6)
    return probability
