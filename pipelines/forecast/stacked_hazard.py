"""The learned forecast: base models weighed and calibrated on vehicles, and on weeks, that they were not fitted on.

BaseModels learned from four fifths of the vehicles forecast the other fifth, five times; those learned from what was
known when 60 and 80 % of the faults had been set forecast the weeks since. On both together they are weighed and
calibrated, and the doubt is measured. (Later weeks alone would be judged by models that knew half of the faults,
whose sharpest forecasts are worth less than today's; other vehicles alone would not see that a fleet changes.) The
models that forecast today are learned from all outcomes known today.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri
from scipy.stats import gamma
from threadpoolctl import threadpool_limits

from pipelines.forecast.base_models import BASE_MODELS, BaseModels, learn_base_models
from pipelines.forecast.failure_direction import FOLDS
from pipelines.forecast.features import Features
from pipelines.forecast.past import Past
from pipelines.forecast.stacking import Stack, stack
from pipelines.forecast.time_grid import DAYS, MIDDLES, hazard_of_odds, horizon_sums
from pipelines.handover import Bools, Float64s, Int64s
from pipelines.threads import in_threads

CUTS = (0.6, 0.8)  # shares of the past at which later weeks begin; judgement
FEWEST_FAULTS = 5  # distinct ones, to learn at all; judgement
SLICE_DAYS = 91.0  # person-time is sliced by quarters to see whether the level of faults moves; judgement
STEADINESS = 0.15  # standard deviation of log(observed / expected) between quarters beforehand: judgement,
STEADINESS_FAULTS = 20.0  # it counts as many faults; judgement
NINETY = float(ndtri(0.95))  # sds on either side that hold 90 %: derived

Part = tuple[
    Past, float, Bools
]  # what is learned from, until when (days since 1970), and which rows are judged by it, [n]
Learned = tuple[
    BaseModels | None, Float64s, Int64s
]  # what was; log odds that it announces, [m, L, M], of which rows, [m]


@dataclass(frozen=True, kw_only=True)
class StackedHazard:
    """What forecasts today.

    Attributes:
        base_models: Learned from all that is known.
        stacking: Weighs and calibrates them.
        level: Factor on the hazard that the newest quarter asks for.
        doubt: Standard deviation of the log of that factor between quarters, beyond chance.
        faults: Distinct faults learned from.
        later_faults: Distinct faults of the weeks that the level is held against.
        losses: Deviance on those rows relative to the base rate's, by candidate and of all together (`together`).
        recent: Observed over expected faults of the newest quarter before that factor, with its 90 % interval.
    """

    base_models: BaseModels
    stacking: Stack
    level: float
    doubt: float
    faults: int
    later_faults: int
    losses: dict[str, float]
    recent: tuple[float, float, float]

    def forecast(self, features: Features) -> tuple[Float64s, Float64s, Float64s]:
        """(probability, low, high) within 7, 30, 90 days, each [n, 3]; low to high is a 90 % interval."""
        announced = self.base_models.announced(features)
        hazard = np.exp(self.stacking.log_hazard(announced)) * DAYS * self.level
        total = np.log(np.maximum(horizon_sums(hazard), 1e-9))
        shares = self.stacking.weights / max(self.stacking.weights.sum(), 1e-9)
        apart = (announced - (announced @ shares)[:, :, None]) * self.stacking.share_announced(announced)[:, :, None]
        variance = horizon_sums(hazard * (apart**2 @ shares)) / np.exp(total)  # models that disagree
        spread = NINETY * np.sqrt(self.stacking.variance(announced) + variance + self.doubt**2)
        centre, low, high = (
            np.clip(-np.expm1(-np.exp(total + side * spread)), 1e-6, 1 - 1e-6) for side in (0.0, -1.0, 1.0)
        )
        return centre, np.maximum.accumulate(low, axis=1), np.maximum.accumulate(high, axis=1)


def learn_hazard(past: Past) -> StackedHazard | None:
    """Learns the forecast from the past; None: too few faults to weigh and stack base models."""
    days, faults = past.watched(past.now)
    times = past.fault_times(faults.sum(axis=1) > 0)
    if len(times) < FEWEST_FAULTS:
        return None
    none = np.zeros(len(days), dtype=np.bool_)  # of the rows is today's to judge: it was learned from all of them
    parts = [(past, past.now, none), *out_of_fold(past), *_out_of_time(past, np.quantile(times, CUTS))]
    learned = learn_parts(past, parts)
    base_models = learned[0][0]
    announced, judged = (np.concatenate([part[place] for part in learned]) for place in (1, 2))
    later = np.concatenate([rows for _, _, rows in learned[-len(CUTS) :]])
    later_faults = past.distinct_faults(np.isin(np.arange(len(days)), later) & (faults.sum(axis=1) > 0))
    if base_models is None or not len(judged):
        return None
    known = (days[judged], faults[judged])
    stacking = stack(announced, *known, past.origins.vehicle[judged], steady=base_models.steady, distinct=len(times))
    even = stacking.log_hazard(announced)
    level, doubt, recent = _level(np.exp(even), *known, past.now - past.origins.at[judged], distinct=len(times))
    alone = [
        np.log(np.exp(base_models.steady) + hazard_of_odds(log_odds)[0]) for log_odds in np.moveaxis(announced, 2, 0)
    ]
    columns = [*alone, even]
    return StackedHazard(
        base_models=base_models, stacking=stacking, level=level, doubt=doubt, faults=len(times),
        later_faults=later_faults, recent=recent,
        losses={name: _loss(column, *known) for name, column in zip((*BASE_MODELS, "together"), columns, strict=True)},
    )  # fmt: skip


def out_of_fold(past: Past) -> list[Part]:
    """The rows of each fifth of the vehicles, to be judged by what is learned from the others."""
    fold = past.features.fold
    return [(past.without(fold == n), past.now, fold == n) for n in range(FOLDS)]


def _out_of_time(past: Past, cuts: Float64s) -> list[Part]:
    """The rows between dates, to be judged by what was known before."""
    at, ends = past.origins.at, [*cuts[1:], np.inf]
    return [(past, float(start), (at >= start) & (at < end)) for start, end in zip(cuts, ends, strict=True)]


def learn_parts(past: Past, parts: list[Part]) -> list[Learned]:
    """Base models learned from each part's past as known by its time, and what they announce for its rows of `past`."""

    def learn(part: Part) -> Learned:
        known, until, chosen = part
        rows = np.flatnonzero(chosen).astype(np.int64)
        base_models = learn_base_models(known, until=until)
        if base_models is None:
            return None, np.empty((0, len(DAYS), len(BASE_MODELS))), rows[:0]
        return base_models, base_models.announced(past.features.take(rows)), rows

    with threadpool_limits(1):  # the fits are small, and threads that wait for each other cost more than they save
        return in_threads(learn, parts)


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
    event_weight = distinct / max(float(faults.sum()), 1e-12)
    quarter = np.floor(np.maximum(age[:, None] - MIDDLES, 0.0) / SLICE_DAYS).astype(np.int64).ravel()
    observed = event_weight * np.bincount(quarter, weights=faults.ravel())
    expected = event_weight * np.bincount(quarter, weights=(hazard * days).ravel())
    excess = float(((observed - expected) ** 2 - expected).sum())
    belief = STEADINESS_FAULTS**2
    variance = max(excess + belief * STEADINESS**2, 0.05**2 * belief) / (float((expected**2).sum()) + belief)
    weight = 1 / variance
    level = (observed[0] + weight) / (expected[0] + weight)
    low, high = gamma.ppf([0.05, 0.95], observed[0] + 0.5) / max(expected[0], 1e-9)
    ratio = observed[0] / max(expected[0], 1e-9)
    return float(level), float(np.sqrt(variance)), (float(ratio), float(low), float(high))
