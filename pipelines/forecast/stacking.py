"""BaseModels weighed together and brought to the frequencies seen on later data than they were fitted on.

One line in the log odds of announced faults: a level, a bend over the steps ahead, and a weight of at least 0 for
each base model, so that no order that all models agree on is turned around; and beside it a steady hazard of faults
that nothing announces. With few faults the weights stay near equal shares.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from pipelines.forecast.learners import HIGHEST, LOWEST
from pipelines.forecast.time_grid import DAYS, MIDDLES, hazard_of_odds, horizon_sums
from pipelines.handover import Float64s, Int64s

BELIEF_IN_LEVEL = 4.0  # faults, that the base models' level is right: half a unit of log hazard; judgement
BELIEF_IN_SLOPE = 16.0  # that the weights sum to 1; judgement
BELIEF_IN_SHARES = 2.0  # that each candidate has the same weight; judgement
BEND: Float64s = np.log(MIDDLES) - np.log(MIDDLES).mean()
LEAD = 3  # figures of the line before the weights; definition


@dataclass(frozen=True, kw_only=True)
class Stack:
    """A steady log hazard, a level and a bend over the steps ahead, then weights of the base models' log odds.

    Attributes:
        centre: Subtracted from every candidate's log odds.
        line: Steady log hazard, level, bend, then one weight a base model, [3 + M].
        covariance: Of the line, a vehicle counting once, [3 + M, 3 + M].
    """

    centre: float
    line: Float64s
    covariance: Float64s

    @property
    def weights(self) -> Float64s:
        """Of the base models, [M]."""
        return self.line[LEAD:]

    def log_hazard(self, announced: Float64s) -> Float64s:
        """Calibrated log of faults a day in each step, [n, L], from log odds that base models announce, [n, L, M]."""
        both: Float64s = np.log(np.exp(self.line[0]) + hazard_of_odds(self._together(announced))[0])
        return both

    def share_announced(self, announced: Float64s) -> Float64s:
        """By how much the calibrated log hazard grows with the base models' log odds, [n, L]."""
        share: Float64s = hazard_of_odds(self._together(announced))[1] / np.exp(self.log_hazard(announced))
        return share

    def variance(self, announced: Float64s) -> Float64s:
        """Variance of the log of the hazard summed up to each horizon that the line's own error makes, [n, 3]."""
        hazard, share = np.exp(self.log_hazard(announced)) * DAYS, self.share_announced(announced)
        slope = [np.broadcast_to(np.exp(self.line[0]) * DAYS, hazard.shape), hazard * share, hazard * share * BEND]
        slope += [hazard * share * (announced[:, :, m] - self.centre) for m in range(announced.shape[2])]
        gradient = np.stack([horizon_sums(part) for part in slope], axis=2) / horizon_sums(hazard)[:, :, None]
        variance: Float64s = np.einsum("nhi,ij,nhj->nh", gradient, self.covariance, gradient)
        return variance

    def _together(self, announced: Float64s) -> Float64s:
        odds: Float64s = self.centre + self.line[1] + self.line[2] * BEND + (announced - self.centre) @ self.weights
        return np.clip(odds, LOWEST, HIGHEST)


def stack(
    announced: Float64s, days: Float64s, faults: Float64s, vehicle: Int64s, *, steady: float, distinct: float
) -> Stack:
    """The line of greatest Poisson likelihood on later person-time, with a prior of equal shares.

    Args:
        announced: Log odds that each candidate announces, [n, L, M].
        days: Weighted days at risk, [n, L].
        faults: Weighted faults, [n, L].
        vehicle: Of each row, [n].
        steady: The base models' log hazard of what they do not announce.
        distinct: Distinct faults behind the rows; the prior is weighed against them.

    Source: Cox (1958) for the line; Wolpert (1992), Stacked generalization; Liang and Zeger (1986) for the errors.
    """
    count = announced.shape[2]
    event_weight = distinct / max(float(faults.sum()), 1e-12)
    exposure, hits = event_weight * days, event_weight * faults
    mean = announced.mean(axis=2)
    centre = float(np.average(mean, weights=exposure * hazard_of_odds(mean)[0] + hits))
    figures = announced - centre
    equal = np.concatenate([[steady, 0.0, 0.0], np.full(count, 1 / count)])
    shares = BELIEF_IN_SHARES * np.eye(count) + (BELIEF_IN_SLOPE - BELIEF_IN_SHARES) / count * np.ones((count, count))
    belief = np.diag(np.full(LEAD + count, BELIEF_IN_LEVEL))
    belief[LEAD:, LEAD:] = shares

    def parts(line: Float64s) -> tuple[Float64s, Float64s, Float64s]:
        at = np.clip(centre + line[1] + line[2] * BEND + figures @ line[LEAD:], LOWEST, HIGHEST)
        told, slope = hazard_of_odds(at)
        hazard = told + np.exp(line[0])
        return hazard, np.exp(line[0]) / hazard, slope / hazard

    def loss(line: Float64s) -> tuple[float, Float64s]:
        hazard, flat, share = parts(line)
        expected = exposure * hazard
        error = expected - hits
        shared = error * share
        gradient = np.concatenate(
            [[(error * flat).sum(), shared.sum(), (shared @ BEND).sum()], np.einsum("nl,nlm->m", shared, figures)]
        )
        away = line - equal
        return float((expected - hits * np.log(hazard)).sum() + 0.5 * away @ belief @ away), gradient + belief @ away

    bounds = [(LOWEST, HIGHEST)] + [(None, None)] * 2 + [(0.0, None)] * count
    line = minimize(loss, equal, jac=True, method="L-BFGS-B", bounds=bounds).x
    hazard, flat, share = parts(line)
    expected = exposure * hazard
    design = np.concatenate(
        [flat[:, :, None], share[:, :, None], (share * BEND)[:, :, None], share[:, :, None] * figures], axis=2
    )
    free = np.concatenate([np.ones(LEAD, dtype=np.bool_), line[LEAD:] > 0])
    bread = np.linalg.inv(np.einsum("nl,nli,nlj->ij", expected, design, design, optimize=True) + belief)
    scores = np.einsum("nl,nli->ni", expected - hits, design)
    by_vehicle = np.zeros((int(vehicle.max(initial=0)) + 1, LEAD + count))
    np.add.at(by_vehicle, vehicle, scores)
    covariance = bread @ (by_vehicle.T @ by_vehicle) @ bread * np.outer(free, free)
    return Stack(centre=centre, line=line, covariance=covariance)
