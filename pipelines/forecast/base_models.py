"""The hazards that are weighed: unlearned, from leeway, limits together and each alone, all signs, newest readings.

The unlearned one is the first passage of the limits with a rate of faults beside it: what is believed while no fault is
known. With few faults it keeps its share; with many the learned ones take it over as far as they forecast better.
"""

from dataclasses import dataclass

import numpy as np

from pipelines.forecast.correction_risk import learn_risks, risks_of
from pipelines.forecast.failure_direction import along, learn_directions
from pipelines.forecast.features import Features
from pipelines.forecast.learners import HIGHEST, LOWEST, LinearHazard, Signs, learn_linear
from pipelines.forecast.limit_hazard import LimitHazard, learn_limits
from pipelines.forecast.past import Past
from pipelines.forecast.prior import PriorHazard
from pipelines.forecast.time_grid import AT_HORIZON, ENDS, odds_of_hazard
from pipelines.handover import Float64s

BASE_MODELS = ("unlearned", "leeway", "few", "all", "newest", "limits")
FEWEST_FAULTS = 4  # to learn a hazard at all: four fifths of the fewest that any forecast is learned from; judgement
SOON = AT_HORIZON[1] + 1  # steps: readings within 30 days of a fault show what failing looks like; judgement
ALONE = (("leeway used", "worked on lately"), ())
FEW = (("leeway used", "evidence of straying", "worked on lately"), ("leeway used by then", "first passage then"))
# In few figures: a unit of log odds a standard deviation; in the many half of that; judgement.
BELIEFS = (1.0, 1.0, 4.0)


@dataclass(frozen=True, kw_only=True)
class BaseModels:
    """Learned hazards.

    Attributes:
        directions: How failing vehicles leave their peers, by fold of vehicles, [FOLDS, codes].
        risks: How many faults follow each correction's straying, by fold of vehicles, [FOLDS, codes].
        unlearned: First passage and a rate.
        leeway: From the least leeway, now and as it will be.
        few: From limits and evidence.
        all: From all signs.
        newest: From the newest readings themselves, neither smoothed nor compressed, of all corrections.
        limits: Of each limit by itself, all competing.
    """

    directions: Float64s
    risks: Float64s
    unlearned: PriorHazard
    leeway: LinearHazard
    few: LinearHazard
    all: LinearHazard
    newest: LinearHazard
    limits: LimitHazard

    @property
    def steady(self) -> float:
        """Log of the faults a day that none announces, the mean of the learned models' own."""
        learned = (self.leeway, self.few, self.all, self.newest, self.limits)
        return float(np.mean([hazard.steady for hazard in learned]))

    def announced(self, features: Features) -> Float64s:
        """Log odds of a fault that each of `BASE_MODELS` announces in each step, [n, L, 6]."""
        signs = signs_of(features, self.directions, self.risks)
        parts = [
            np.clip(odds_of_hazard(self.unlearned.hazard(features)), LOWEST, HIGHEST),
            self.leeway.announced(_chosen(signs, features, ALONE)),
            self.few.announced(_chosen(signs, features, FEW)),
            self.all.announced(signs),
            self.newest.announced(_newest(features)),
            self.limits.announced(features.nearing),
        ]
        return np.stack(parts, axis=2)


def learn_base_models(past: Past, *, until: float) -> BaseModels | None:
    """Learns from outcomes known by a time; None: too few faults by then.

    Args:
        past: The fleet's past.
        until: Days since 1970; nothing that was known later is used.
    """
    days, faults = past.watched(until)
    distinct = past.distinct_faults(faults.sum(axis=1) > 0)
    if distinct < FEWEST_FAULTS:
        return None
    soon = faults[:, :SOON].sum(axis=1)
    fault, weight = (soon > 0).astype(np.float64), np.where(soon > 0, soon, days[:, :SOON].sum(axis=1) / ENDS[SOON - 1])
    directions = learn_directions(
        past.features.deviations, fault, weight, past.features.fold, faults=past.distinct_faults(soon > 0)
    )
    rows = days.sum(axis=1) > 0
    known, features = (days[rows], faults[rows]), past.features.take(rows)
    none = np.zeros((len(directions), len(features.codes)))
    signs = signs_of(features, directions, none)
    alone, few = (_chosen(signs, features, names) for names in (ALONE, FEW))
    leeway, together = (
        learn_linear(figures, *known, distinct=distinct, belief=belief)
        for figures, belief in zip((alone, few), BELIEFS[:-1], strict=True)
    )
    event_weight = distinct / max(float(faults.sum()), 1e-12)
    expected = event_weight * (known[0] * np.exp(together.log_hazard(few))).sum(axis=1)
    risks = learn_risks(
        features.lead, len(features.codes), expected, event_weight * known[1].sum(axis=1), features.fold
    )
    signs = signs_of(features, directions, risks)
    every = learn_linear(signs, *known, distinct=distinct, belief=BELIEFS[-1])
    newest = learn_linear(_newest(features), *known, distinct=distinct, belief=BELIEFS[-1])
    return BaseModels(
        directions=directions, risks=risks, unlearned=past.prior, leeway=leeway, few=together, all=every,
        newest=newest, limits=learn_limits(features.nearing, *known, distinct=distinct),
    )  # fmt: skip


def signs_of(features: Features, directions: Float64s, risks: Float64s) -> Signs:
    """All signs: the features, how far along the way of failing, how fast, and the leading correction's own risk."""
    ways = [along(directions, figures, features.fold) for figures in (features.deviations, features.changes)]
    return Signs(
        now=np.column_stack([features.values, *ways, risks_of(risks, features.lead, features.fold)]),
        rising=np.append(features.rising, [1, 1, 1]),
        ahead=features.ahead,
    )


def _newest(features: Features) -> Signs:
    """The newest readings themselves and nothing else."""
    figures = features.newest.astype(np.float64)
    return Signs(now=figures, rising=np.zeros(figures.shape[1], dtype=np.int64), ahead=features.ahead[:, :, :0])


def _chosen(signs: Signs, features: Features, names: tuple[tuple[str, ...], tuple[str, ...]]) -> Signs:
    now, ahead = names
    return signs.only(
        [features.names.index(name) for name in now], [features.ahead_names.index(name) for name in ahead]
    )
