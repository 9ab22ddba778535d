"""The learned forecast: candidates weighed and calibrated on weeks later than those they were fitted on.

The past is cut where 40, 60 and 80 % of the faults had been set. Candidates learned from outcomes known by each cut
forecast the weeks from there to the next; on these out-of-time forecasts they are weighed and calibrated, and the
doubt is measured. The candidates that forecast today are then learned from all outcomes known today.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri
from scipy.stats import gamma
from threadpoolctl import threadpool_limits

from pipelines.forecast.calibration import Calibration, calibrate
from pipelines.forecast.candidates import CANDIDATES, Candidates, learn_candidates
from pipelines.forecast.features import Features
from pipelines.forecast.leads import DAYS, MIDDLES, horizon_sums
from pipelines.forecast.past import Past
from pipelines.handover import Float64s, Int64s

CUTS = (0.4, 0.6, 0.8)
FEWEST_FAULTS = 20  # distinct ones, to learn at all
FEWEST_LATER = 5  # of them ahead of an out-of-time forecast, to calibrate at all
SLICE_DAYS = 91.0  # person-time is sliced by quarters to see whether the level of faults moves
STEADINESS = 0.15  # standard deviation of log(observed / expected) between quarters beforehand: judgement,
STEADINESS_FAULTS = 20.0  # worth as many faults
NINETY = float(ndtri(0.95))


@dataclass(frozen=True, kw_only=True)
class LearnedHazard:
    """What forecasts today.

    Attributes:
        candidates: Learned from all that is known.
        calibration: Weighs and calibrates them.
        level: Factor on the hazard that the newest quarter asks for.
        doubt: Standard deviation of the log of that factor between quarters, beyond chance.
        faults: Distinct faults learned from.
        later_faults: Distinct faults calibrated on.
        losses: Deviance out of time relative to the base rate's, by candidate and of all together (`together`).
        recent: Observed over expected faults of the newest quarter before that factor, with its 90 % interval.
    """

    candidates: Candidates
    calibration: Calibration
    level: float
    doubt: float
    faults: int
    later_faults: int
    losses: dict[str, float]
    recent: tuple[float, float, float]

    def forecast(self, features: Features) -> tuple[Float64s, Float64s, Float64s]:
        """(probability, low, high) within 7, 30, 90 days, each [n, 3]; low to high is a 90 % interval."""
        log_hazards = self.candidates.log_hazards(features)
        hazard = np.exp(self.calibration.log_hazard(log_hazards)) * DAYS * self.level
        total = np.log(np.maximum(horizon_sums(hazard), 1e-9))
        shares = self.calibration.line[2:] / max(self.calibration.line[2:].sum(), 1e-9)
        apart = log_hazards - (log_hazards @ shares)[:, :, None]
        variance = horizon_sums(hazard * (apart**2 @ shares)) / np.exp(total)  # candidates that disagree
        spread = NINETY * np.sqrt(self.calibration.variance(log_hazards) + variance + self.doubt**2)
        centre, low, high = (
            np.clip(-np.expm1(-np.exp(total + side * spread)), 1e-6, 1 - 1e-6) for side in (0.0, -1.0, 1.0)
        )
        return centre, np.maximum.accumulate(low, axis=1), np.maximum.accumulate(high, axis=1)


def learn_hazard(past: Past) -> LearnedHazard | None:
    """Learns the forecast from the past; None: too few faults to weigh and calibrate candidates on later weeks."""
    days, faults = past.watched(past.now)
    times = past.fault_times(faults.sum(axis=1) > 0)
    if len(times) < FEWEST_FAULTS:
        return None
    with threadpool_limits(1):  # the fits are small, and threads that wait for each other cost more than they save
        candidates = learn_candidates(past, until=past.now)
        later, judged = _out_of_time(past, np.quantile(times, CUTS))
    known = (days[judged], faults[judged])
    set_later = np.zeros(len(past.origins), dtype=np.bool_)
    set_later[judged] = known[1].sum(axis=1) > 0
    later_faults = past.distinct_faults(set_later)
    if candidates is None or later_faults < FEWEST_LATER:
        return None
    calibration = calibrate(later, *known, past.origins.vehicle[judged], distinct=later_faults)
    even = calibration.log_hazard(later)
    level, doubt, recent = _level(np.exp(even), *known, past.now - past.origins.at[judged], distinct=later_faults)
    columns = [*np.moveaxis(later, 2, 0), even]
    return LearnedHazard(
        candidates=candidates, calibration=calibration, level=level, doubt=doubt, faults=len(times),
        later_faults=later_faults, recent=recent,
        losses={name: _loss(column, *known) for name, column in zip((*CANDIDATES, "together"), columns, strict=True)},
    )  # fmt: skip


def _out_of_time(past: Past, cuts: Float64s) -> tuple[Float64s, Int64s]:
    """Log hazards of rows by candidates learned before them, [m, L, M]; and which rows, [m]."""
    found, judged = [np.empty((0, len(DAYS), len(CANDIDATES)))], [np.empty(0, dtype=np.int64)]
    for start, end in zip(cuts, [*cuts[1:], np.inf], strict=True):
        rows = np.flatnonzero((past.origins.at >= start) & (past.origins.at < end)).astype(np.int64)
        candidates = learn_candidates(past, until=float(start))
        if candidates is not None and len(rows):
            judged.append(rows)
            found.append(candidates.log_hazards(past.features.take(rows)))
    return np.concatenate(found), np.concatenate(judged)


def _loss(log_hazard: Float64s, days: Float64s, faults: Float64s) -> float:
    """Poisson log loss beyond a fault's own share, of that of the base rate of each step."""
    rate = np.log(np.maximum(faults.sum(axis=0), 1e-9) / np.maximum(days.sum(axis=0), 1e-9))
    base = -(faults * rate).sum()
    return float((days * np.exp(log_hazard) - faults * log_hazard).sum() - faults.sum()) / float(base)


def _level(
    hazard: Float64s, days: Float64s, faults: Float64s, age: Float64s, *, distinct: float
) -> tuple[float, float, tuple[float, float, float]]:
    """(factor, doubt, recent observed over expected with its interval): does the level of faults move?

    Gamma-Poisson by empirical Bayes: the spread between quarters beyond chance says how far the newest is believed.

    Args:
        hazard: Calibrated, faults a day, [m, L].
        days: At risk, [m, L].
        faults: [m, L].
        age: Days since each origin, [m].
        distinct: Distinct faults behind the rows.
    """
    worth = distinct / max(float(faults.sum()), 1e-12)
    quarter = np.floor(np.maximum(age[:, None] - MIDDLES, 0.0) / SLICE_DAYS).astype(np.int64).ravel()
    observed = worth * np.bincount(quarter, weights=faults.ravel())
    expected = worth * np.bincount(quarter, weights=(hazard * days).ravel())
    excess = float(((observed - expected) ** 2 - expected).sum())
    belief = STEADINESS_FAULTS**2
    variance = max(excess + belief * STEADINESS**2, 0.05**2 * belief) / (float((expected**2).sum()) + belief)
    weight = 1 / variance
    level = (observed[0] + weight) / (expected[0] + weight)
    low, high = gamma.ppf([0.05, 0.95], observed[0] + 0.5) / max(expected[0], 1e-9)
    ratio = observed[0] / max(expected[0], 1e-9)
    return float(level), float(np.sqrt(variance)), (float(ratio), float(low), float(high))
