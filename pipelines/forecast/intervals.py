"""A discrete-time hazard over 0-7, 7-30 and 30-90 days, each interval learned from the origins still at risk in it."""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from pipelines.forecast.failure_direction import held_out_scores, learn_direction
from pipelines.forecast.features import Features
from pipelines.forecast.learners import BoostedHazard, LogisticHazard, learn_boosted, learn_logistic
from pipelines.forecast.past import HORIZONS, Past
from pipelines.forecast.prior import PriorHazard
from pipelines.handover import Float64s

DIRECTION_HORIZON = 1  # readings within 30 days of a fault show what failing looks like
FEWEST_FAULTS = 8  # in an interval, to learn its hazard; with fewer the prior stands in it
METHODS = ("few", "logistic", "boosted", "mean")
FAULTS_TO_BOOST = 60  # in an interval; with fewer, trees only add noise
FEW = (
    "leeway used",
    "first passage in 7 days",
    "first passage in 30 days",
    "first passage in 90 days",
    "evidence of straying",
)
BELIEF = 4.0  # in the many features: half a unit of log odds a standard deviation


@dataclass(frozen=True, kw_only=True)
class IntervalHazards:
    """Learned hazards of the three intervals.

    Attributes:
        direction: How failing vehicles leave their peers, [codes].
        few: Logistic on the limits and the evidence alone, one for each interval; None: the prior stands.
        logistic: The same, on all features.
        boosted: The same; with too few faults to boost, the logistic one.
        prior: The forecast without learning.
    """

    direction: Float64s
    few: tuple[LogisticHazard | None, ...]
    logistic: tuple[LogisticHazard | None, ...]
    boosted: tuple[BoostedHazard | LogisticHazard | None, ...]
    prior: PriorHazard

    def predict(self, features: Features) -> dict[str, Float64s]:
        """Probability within 7, 30, 90 days by each method, [n, 3], rising with the horizon."""
        values = np.column_stack([features.values, features.deviations @ self.direction])
        survival = 1 - np.column_stack([np.zeros(len(values)), self.prior.probabilities(features)])
        without = list((1 - survival[:, 1:] / np.maximum(survival[:, :-1], 1e-12)).T)
        found = {}
        chosen = _few(features)
        for name, hazards in (("few", self.few), ("logistic", self.logistic), ("boosted", self.boosted)):
            data = values[:, chosen] if name == "few" else values
            pairs = zip(hazards, without, strict=True)
            found[name] = _within([hazard.predict(data) if hazard else prior for hazard, prior in pairs])
        odds = [np.log(p / (1 - p)) for p in found.values()]
        found["mean"] = expit(np.mean(odds, axis=0))
        return found


def learn_intervals(past: Past, *, until: float, seed: int) -> IntervalHazards | None:
    """Learns from outcomes known by a time; None: too few faults by then.

    Args:
        past: The fleet's past.
        until: Days since 1970; nothing that was known later is used.
        seed: Of the boosting.
    """
    outcomes = [
        past.known_by(until, k, begins=begins) for k, begins in enumerate((0.0, *(float(h) for h in HORIZONS[:-1])))
    ]
    counts = [past.distinct_faults(weight * fault) for weight, fault in outcomes]
    if max(counts) < FEWEST_FAULTS:
        return None
    weight, fault = past.known_by(until, DIRECTION_HORIZON)
    faults = past.distinct_faults(weight * fault)
    deviations = past.features.deviations
    direction = learn_direction(deviations, fault, weight, faults=faults)
    held_out = held_out_scores(deviations, fault, weight, past.origins.vehicle, faults=faults)
    values = np.column_stack([past.features.values, held_out])
    rising = np.append(past.features.rising, 1)
    logistic: list[LogisticHazard | None] = [None] * len(HORIZONS)
    few: list[LogisticHazard | None] = [None] * len(HORIZONS)
    boosted: list[BoostedHazard | LogisticHazard | None] = [None] * len(HORIZONS)
    chosen = _few(past.features)
    for k, ((weight, fault), count) in enumerate(zip(outcomes, counts, strict=True)):
        if count < FEWEST_FAULTS:
            continue
        rows = weight > 0
        known = (fault[rows], weight[rows])
        few[k] = learn_logistic(values[rows][:, chosen], *known, rising=rising[chosen], faults=count)
        logistic[k] = learn_logistic(values[rows], *known, rising=rising, faults=count, belief=BELIEF)
        boosted[k] = logistic[k]
        if count >= FAULTS_TO_BOOST:
            boosted[k] = learn_boosted(values[rows], *known, rising=rising, seed=seed)
    return IntervalHazards(
        direction=direction, few=tuple(few), logistic=tuple(logistic), boosted=tuple(boosted), prior=past.prior
    )


def _few(features: Features) -> list[int]:
    return [features.names.index(name) for name in FEW]


def _within(hazards: list[Float64s]) -> Float64s:
    survival = np.cumprod(1 - np.clip(np.column_stack(hazards), 0, 1), axis=1)
    probability: Float64s = np.clip(1 - survival, 1e-6, 1 - 1e-6)
    return probability
