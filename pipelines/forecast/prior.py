"""The forecast while few faults are known: first passage of the limits, and a rate of faults without warning."""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit
from scipy.stats import gamma

from pipelines.forecast.features import Features
from pipelines.forecast.origins import Origins
from pipelines.forecast.outcomes import Outcomes
from pipelines.forecast.time_grid import AT_HORIZON, ENDS, hazard_of, within_horizons
from pipelines.handover import Float64s

PRIOR_FAULTS = 0.5  # Jeffreys' prior of a Poisson rate; derived
PRIOR_YEARS = 2.0  # a fault in four vehicle-years, where nothing at all is known: judgement
RISK_POWER = 2.0  # by which the rate grows with leeway used; with evidence it grows in proportion: judgement
AGEING_DOUBT = 0.5  # standard deviation of the log of how risk grows with age, that is no growth at first: judgement
AGEING = np.geomspace(0.5, 8.0, 57)  # Weibull shapes tried; numerical
PASSAGE_TRUST = 0.5  # share of first passages that come true; the rest level off before: judgement
PASSAGE_DOUBT = 0.8  # standard deviation of the log odds of a first passage that no fault has confirmed: judgement


@dataclass(frozen=True, kw_only=True)
class PriorHazard:
    """Faults so far, time watched, the mean relative risk while watched, and the Weibull shape of ageing (1: none)."""

    faults: float
    vehicle_years: float
    mean_risk: float
    ageing: float

    @property
    def rate(self) -> float:
        """Faults a vehicle-year that no first passage explains."""
        return (self.faults + PRIOR_FAULTS) / (self.vehicle_years + PRIOR_YEARS)

    def hazard(self, features: Features, rate: float | None = None, passage_shift: float = 0.0) -> Float64s:
        """Faults a day in each step ahead, [n, L]."""
        risk = _relative_risk(features) / self.mean_risk
        ends, age = ENDS / 365.25, _age(features)[:, None]
        aged = ((age + ends) ** self.ageing - age**self.ageing) / self.ageing  # years, each by its relative risk
        expected = (self.rate if rate is None else rate) * risk[:, None] * aged
        clipped = np.clip(features.passage, 1e-9, 1 - 1e-9)
        passage = PASSAGE_TRUST * expit(logit(clipped) + passage_shift)
        return hazard_of((1 - passage) * np.exp(-expected))

    def probabilities(self, features: Features, rate: float | None = None, passage_shift: float = 0.0) -> Float64s:
        """Probability of a fault within 7, 30 and 90 days, [n, 3], rising with the horizon."""
        return within_horizons(self.hazard(features, rate, passage_shift))

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
        return PriorHazard(faults=0.0, vehicle_years=0.0, mean_risk=1.0, ageing=1.0)
    _, fault = outcomes.within(every_days)
    watched = np.clip(np.minimum(np.minimum(outcomes.unseen, outcomes.repair), every_days), 0, None)
    years = origins.weight * watched / 365.25
    faults = origins.weight * fault * (1 - features.passage[:, AT_HORIZON[1]])
    risk, age = _relative_risk(features), _age(features) + every_days / 2 / 365.25
    ageing = _ageing(faults, years * risk, age)
    return PriorHazard(
        faults=float(faults.sum()),
        vehicle_years=float(years.sum()),
        mean_risk=float((years * risk * age ** (ageing - 1)).sum() / max(years.sum(), 1e-9)) or 1.0,
        ageing=ageing,
    )


def _ageing(faults: Float64s, exposure: Float64s, age: Float64s) -> float:
    """Shape of the Weibull hazard in age that the faults make likeliest, drawn to 1, for any level of the hazard.

    Args:
        faults: Of each row, [n].
        exposure: Years by their relative risk, [n].
        age: Years, above 0, [n].
    """
    if not exposure.sum() > 0:
        return 1.0
    grows = (AGEING[:, None] - 1) * np.log(age)
    peak = grows.max(axis=1, keepdims=True)
    exposed = np.log(np.exp(grows - peak) @ exposure) + peak[:, 0]
    fit = grows @ faults - faults.sum() * exposed - 0.5 * (np.log(AGEING) / AGEING_DOUBT) ** 2
    return float(AGEING[np.argmax(fit)])


def _age(features: Features) -> Float64s:
    """Years in service at each origin, or since the first reading where that is not known, [n]."""
    years: Float64s = np.expm1(features.values[:, features.names.index("age")]) / 365.25
    return years


def _relative_risk(features: Features) -> Float64s:
    nearness = 105.0 / (5.0 + np.clip(features.leeway, 0.0, 100.0))
    risk: Float64s = (1.0 + np.maximum(features.severity, 0.0)) * nearness**RISK_POWER
    return risk
