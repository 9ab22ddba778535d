"""The fleet's past as a forecast learns from it: origins, features, what followed, what each row stands for."""

from dataclasses import dataclass

import numpy as np

from pipelines.forecast.censoring import repair_weights, risk_strata
from pipelines.forecast.features import Features, features_of, straying_of
from pipelines.forecast.origins import EVERY_DAYS, STALEST_DAYS, Origins, origins_at, past_times, thinned
from pipelines.forecast.outcomes import Outcomes, Record, outcomes
from pipelines.forecast.prior import PriorHazard, learn_prior
from pipelines.handover import Bools, Drift, Evidence, Float64s, History, Outliers

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
        weights: Of each row by horizon: thinning times repairs as censoring; 0: hidden by a repair, [n, 3].
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

    def known_by(
        self, time: float, horizon: int, *, begins: float = 0.0, forecast: Float64s | None = None
    ) -> tuple[Float64s, Float64s]:
        """(weight, fault) of each row, from a day after the origin up to the horizon, as known by a time, [n] each.

        A row is followed until the time less the reporting lag. One followed for a part of the interval without a
        fault counts for that part of its hazard: none of the outcomes is asked to wait for its whole horizon, which
        would leave out the newest months of an ageing fleet (piecewise exponential likelihood; Holford, 1980).

        Args:
            time: Days since 1970; nothing that was known later is used.
            horizon: Index of the horizon at which the interval ends.
            begins: Start of the interval, d; rows with a fault before it weigh 0.
            forecast: Probabilities within the three horizons, [n, 3], that tell how a row's hazard is spread over the
                time; None: evenly.
        """
        followed = np.minimum(self.outcomes.unseen, time - self.known_from - self.origins.at)
        at_risk = (followed > begins) & (self.outcomes.fault > begins)
        fault = at_risk & (self.faults[:, horizon] > 0) & (self.outcomes.fault <= followed)
        part = np.clip((followed - begins) / (HORIZONS[horizon] - begins), 0.0, 1.0)
        if forecast is not None:
            part = _part_of_hazard(forecast[:, : horizon + 1], followed)
        return self.weights[:, horizon] * np.where(fault, 1.0, at_risk * part), fault.astype(np.float64)

    def distinct_faults(self, fault: Float64s) -> int:
        """How many faults stand behind the rows that are marked 1; one fault is ahead of many origins."""
        return len(self.fault_times(fault > 0))

    def fault_times(self, rows: Bools) -> Float64s:
        """When the faults ahead of some origins were set, each once, sorted; days since 1970."""
        ahead = np.round(self.origins.at[rows] + self.outcomes.fault[rows], 3)
        pairs = np.unique(np.column_stack([self.origins.vehicle[rows], ahead]), axis=0)
        return np.sort(pairs[:, 1])


def _part_of_hazard(forecast: Float64s, followed: Float64s) -> Float64s:
    """Share of each row's hazard up to the last horizon that falls before a time, level between horizons, [n]."""
    hazard = -np.log1p(-np.clip(np.nan_to_num(forecast), 1e-9, 1 - 1e-9))
    steps = np.diff(hazard, axis=1, prepend=0.0)
    begins = np.array((0.0, *HORIZONS[:-1]))[: steps.shape[1]]
    parts = np.clip((followed[:, None] - begins) / (np.array(HORIZONS)[: steps.shape[1]] - begins), 0.0, 1.0)
    shares: Float64s = (np.maximum(steps, 0.0) * parts).sum(axis=1) / hazard[:, -1]
    return shares


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
    weights = [origins.weight * repair_weights(followed, days, strata) for days in HORIZONS]
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
