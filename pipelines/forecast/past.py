"""The fleet's past as a forecast learns from it: origins, features, what followed, what each row stands for."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from pipelines.forecast.censoring import repair_weights, risk_strata
from pipelines.forecast.family_scales import FamilyScales
from pipelines.forecast.features import Features, features_of, is_risky, straying_of
from pipelines.forecast.origins import EVERY_DAYS, STALEST_DAYS, Origins, origins_at, past_times, thinned
from pipelines.forecast.outcomes import Outcomes, Record, outcomes
from pipelines.forecast.prior import PriorHazard, learn_prior
from pipelines.forecast.time_grid import BEGINS, DAYS, ENDS, within_horizons
from pipelines.handover import Bools, Drift, Evidence, Float64s, History, Outliers

MOST_ORIGINS = (8_000, 8_000, 5_000)  # before a fault; straying or near a limit; quiet; for speed


@dataclass(frozen=True, kw_only=True)
class Past:
    """Past origins, [n], with all that a hazard is learned from.

    Attributes:
        origins: Where forecasts could have been made.
        features: What was known there.
        outcomes: What is known now to have followed.
        unread: How many of the fleet's faults no reading showed.
        known_from: Reporting lag: days until nine in ten readings have come, d.
        now: Time of the analysis, days since 1970.
        prior: The forecast without learning.
        weights: Of each row in each step ahead: thinning times repairs as censoring, [n, L].
    """

    origins: Origins
    features: Features
    outcomes: Outcomes
    unread: int
    known_from: float
    now: float
    prior: PriorHazard
    weights: Float64s

    def watched(self, until: float) -> tuple[Float64s, Float64s]:
        """(days at risk, faults) of each row in each step ahead, weighted, as known by a time, [n, L] each.

        A row is followed until its first fault or repair and until the time less the reporting lag. None is asked to
        wait for its whole horizon, which would leave out the newest months of an ageing fleet; steps are short enough
        that a hazard is level within each (piecewise exponential likelihood; Holford, 1980).

        Args:
            until: Days since 1970; nothing that was known later is used.
        """
        seen = np.minimum(self.outcomes.unseen, until - self.known_from - self.origins.at)
        followed = np.minimum(seen, self.outcomes.repair)[:, None]
        fault = self.outcomes.fault[:, None]
        days = np.clip(np.minimum(followed, fault) - BEGINS, 0.0, DAYS)
        faults = (fault > BEGINS) & (fault <= ENDS) & (fault <= followed)
        return self.weights * days, self.weights * faults

    def without(self, rows: Bools) -> "Past":
        """The same past with some rows left out of all that is learned."""
        return replace(self, weights=np.where(rows[:, None], 0.0, self.weights))

    def distinct_faults(self, rows: Bools) -> int:
        """How many faults stand ahead of some origins; one fault is ahead of many."""
        return len(self.fault_times(rows))

    def fault_times(self, rows: Bools) -> Float64s:
        """When the faults ahead of some origins were set, each once, sorted; days since 1970."""
        ahead = np.round(self.origins.at[rows] + self.outcomes.fault[rows], 3)
        pairs = np.unique(np.column_stack([self.origins.vehicle[rows], ahead]), axis=0)
        return np.sort(pairs[:, 1])


def past_of(
    drift: Drift, outliers: Outliers, record: Record, now: float, *, evidence: Evidence, history: History, seed: int,
    scales: Mapping[str, FamilyScales] = MappingProxyType({}),
) -> Past:  # fmt: skip
    """Gathers the past: a weighted draw of origins, dense where a fault followed or might have."""
    every = origins_at(drift, record, past_times(drift, now))
    every = every.take(every.at - every.read <= STALEST_DAYS)
    followed = outcomes(record, every.vehicle, every.at, every.read)
    before_fault = followed.fault <= ENDS[-1]
    risky = is_risky(*straying_of(every, drift))
    origins = thinned(every, np.where(before_fault, 0, np.where(risky, 1, 2)), MOST_ORIGINS, seed=seed)
    features = features_of(origins, drift, outliers, record, evidence=evidence, history=history, scales=scales)
    followed = outcomes(record, origins.vehicle, origins.at, origins.read)
    prior = learn_prior(origins, features, followed, every_days=EVERY_DAYS)
    strata = risk_strata(within_horizons(prior.hazard(features))[:, 1])
    return Past(
        origins=origins,
        features=features,
        outcomes=followed,
        unread=record.unread,
        known_from=record.gap_days,
        now=now,
        prior=prior,
        weights=origins.weight[:, None] * repair_weights(followed, strata),
    )
