"""The fleet's past as a forecast learns from it: origins, features, what followed, what each row stands for."""

from dataclasses import dataclass

import numpy as np

from pipelines.forecast.censoring import censoring_weights, risk_strata
from pipelines.forecast.features import Features, features_of, straying_of
from pipelines.forecast.origins import EVERY_DAYS, STALEST_DAYS, Origins, origins_at, past_times, thinned
from pipelines.forecast.outcomes import Outcomes, Record, outcomes
from pipelines.forecast.prior import PriorHazard, learn_prior
from pipelines.handover import Bools, Drift, Evidence, Float64s, History, Int64s, Outliers

HORIZONS = (7, 30, 90)
MOST_ORIGINS = (12_000, 16_000, 8_000)  # before a fault; straying or near a limit; quiet
RISKY_SEVERITY = 0.6  # of an alarm threshold
RISKY_LEEWAY = 50.0  # %


@dataclass(frozen=True, kw_only=True)
class Past:
    """Past origins, [n], with all that a hazard is learned from.

    Attributes:
        origins: Where forecasts could have been made.
        features: What was known there.
        outcomes: What is known now to have followed.
        known_from: Reporting lag: days until nine in ten readings have come, d.
        now: Time of the analysis, days since 1970.
        prior: The forecast without learning.
        weights: Of each row by horizon: thinning times censoring; 0: outcome not known, [n, 3].
        faults: 1: fault within the horizon, [n, 3].
    """

    origins: Origins
    features: Features
    outcomes: Outcomes
    known_from: float
    now: float
    prior: PriorHazard
    weights: Float64s
    faults: Float64s

    def judged_by(self, time: float, horizon: int) -> Bools:
        """Rows whose outcome within the horizon was known by a time: embargo of horizon and reporting lag, [n]."""
        due = self.origins.at + HORIZONS[horizon] + self.known_from <= time
        return due & (self.weights[:, horizon] > 0)

    def distinct_faults(self, rows: Bools, horizon: int) -> int:
        """How many faults stand behind the rows' outcomes; one fault is ahead of many origins."""
        hit = rows & (self.faults[:, horizon] > 0)
        return len(self.fault_times(hit))

    def fault_times(self, rows: Bools) -> Float64s:
        """When the faults ahead of some origins were set, each once, sorted; days since 1970."""
        ahead = np.round(self.origins.at[rows] + self.outcomes.fault[rows], 3)
        pairs = np.unique(np.column_stack([self.origins.vehicle[rows], ahead]), axis=0)
        return np.sort(pairs[:, 1])


def past_of(
    drift: Drift, outliers: Outliers, record: Record, now: float, *, evidence: Evidence, history: History, seed: int
) -> Past:
    """Gathers the past: a weighted draw of origins, dense where a fault followed or might have."""
    every = origins_at(drift, record, past_times(drift, now))
    every = every.take(every.at - every.read <= STALEST_DAYS)
    followed = outcomes(record, every.vehicle, every.at, every.read)
    before_fault = followed.fault <= HORIZONS[-1]
    severity, leeway = straying_of(every, drift)
    risky = (severity > RISKY_SEVERITY) | (leeway < RISKY_LEEWAY)
    origins = thinned(every, np.where(before_fault, 0, np.where(risky, 1, 2)), MOST_ORIGINS, seed=seed)
    features = features_of(origins, drift, outliers, record, evidence=evidence, history=history)
    followed = outcomes(record, origins.vehicle, origins.at, origins.read)
    prior = learn_prior(origins, features, followed, every_days=EVERY_DAYS)
    strata = risk_strata(prior.probabilities(features)[:, 1])
    weights = [origins.weight * censoring_weights(followed, days, strata) for days in HORIZONS]
    return Past(
        origins=origins,
        features=features,
        outcomes=followed,
        known_from=record.gap_days,
        now=now,
        prior=prior,
        weights=np.column_stack(weights),
        faults=np.column_stack([followed.within(days)[1] for days in HORIZONS]).astype(np.float64),
    )


def vehicles_of(past: Past, rows: Bools) -> Int64s:
    """Index of the vehicle of each chosen row."""
    return past.origins.vehicle[rows]
