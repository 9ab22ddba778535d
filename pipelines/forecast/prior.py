"""The forecast while few faults are known: first passage of the limits, and a rate of faults without warning."""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit
from scipy.stats import gamma

from pipelines.forecast.features import Features
from pipelines.forecast.first_passage import PASSAGE_DAYS
from pipelines.forecast.origins import Origins
from pipelines.forecast.outcomes import Outcomes
from pipelines.handover import Float64s

PRIOR_FAULTS = 0.5  # Jeffreys' prior of a Poisson rate
PRIOR_YEARS = 2.0  # a fault in four vehicle-years, where nothing at all is known: judgement
RISK_POWER = 2.0  # by which the rate grows with leeway used; with evidence it grows in proportion: judgement
PASSAGE_TRUST = 0.5  # share of first passages that come true; the rest level off before: judgement
PASSAGE_DOUBT = 0.8  # standard deviation of the log odds of a first passage that no fault has confirmed: judgement


@dataclass(frozen=True, kw_only=True)
class PriorHazard:
    """Faults so far, time watched, and the mean relative risk of the fleet."""

    faults: float
    vehicle_years: float
    mean_risk: float

    @property
    def rate(self) -> float:
        """Faults a vehicle-year that no first passage explains."""
        return (self.faults + PRIOR_FAULTS) / (self.vehicle_years + PRIOR_YEARS)

    def probabilities(self, features: Features, rate: float | None = None, passage_shift: float = 0.0) -> Float64s:
        """Probability of a fault within 7, 30 and 90 days, [n, 3], rising with the horizon."""
        risk = _relative_risk(features) / self.mean_risk
        ahead = np.array(PASSAGE_DAYS) / 365.25
        expected = (self.rate if rate is None else rate) * risk[:, None] * ahead
        clipped = np.clip(features.passage, 1e-9, 1 - 1e-9)
        passage = PASSAGE_TRUST * expit(logit(clipped) + passage_shift)
        probability: Float64s = np.maximum.accumulate(1 - (1 - passage) * np.exp(-expected), axis=1)
        return probability

    def interval(self, features: Features) -> tuple[Float64s, Float64s]:
        """90 % interval of the probabilities, each [n, 3]: of the rate, and a doubt in the first passage."""
        low, high = gamma.ppf([0.05, 0.95], self.faults + PRIOR_FAULTS) / (self.vehicle_years + PRIOR_YEARS)
        shift = 1.645 * PASSAGE_DOUBT
        return self.probabilities(features, low, -shift), self.probabilities(features, high, shift)


def learn_prior(origins: Origins, features: Features, outcomes: Outcomes, *, every_days: float) -> PriorHazard:
    """Counts the faults that no first passage had announced, and the time that vehicles were watched.

    Args:
        origins: Past origins at a fixed spacing.
        features: Theirs.
        outcomes: What followed.
        every_days: That spacing, d.
    """
    if not len(origins):
        return PriorHazard(faults=0.0, vehicle_years=0.0, mean_risk=1.0)
    _, fault = outcomes.within(every_days)
    watched = np.clip(np.minimum(np.minimum(outcomes.unseen, outcomes.repair), every_days), 0, None)
    unannounced = 1 - features.passage[:, 1]
    risk = _relative_risk(features)
    return PriorHazard(
        faults=float((origins.weight * fault * unannounced).sum()),
        vehicle_years=float((origins.weight * watched).sum() / 365.25),
        mean_risk=float(np.average(risk, weights=origins.weight)),
    )


def _relative_risk(features: Features) -> Float64s:
    nearness = 105.0 / (5.0 + np.clip(features.leeway, 0.0, 100.0))
    risk: Float64s = (1.0 + np.maximum(features.severity, 0.0)) * nearness**RISK_POWER
    return risk
