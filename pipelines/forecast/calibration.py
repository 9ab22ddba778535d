"""Candidates weighed together and brought to the frequencies seen on later data than they were fitted on.

One line in the log hazards: a level, a bend over the steps ahead, and a weight of at least 0 for each candidate, so
that no order that all candidates agree on is turned around. With few faults the weights stay near equal shares.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from pipelines.forecast.leads import DAYS, MIDDLES, horizon_sums
from pipelines.handover import Float64s, Int64s

BELIEF_IN_LEVEL = 4.0  # faults' worth, that the candidates' level is right: half a unit of log hazard
BELIEF_IN_SLOPE = 16.0  # that the weights sum to 1
BELIEF_IN_SHARES = 2.0  # that each candidate has the same weight
BEND: Float64s = np.log(MIDDLES) - np.log(MIDDLES).mean()


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """A level and a bend over the steps ahead, then weights of the candidates' log hazards.

    Attributes:
        centre: Subtracted from every candidate's log hazard.
        line: Level, bend, then one weight a candidate, [2 + M].
        covariance: Of the line, a vehicle counting once, [2 + M, 2 + M].
    """

    centre: float
    line: Float64s
    covariance: Float64s

    def log_hazard(self, log_hazards: Float64s) -> Float64s:
        """Calibrated log of faults a day in each step, [n, L], from those of the candidates, [n, L, M]."""
        level, bend, shares = self.line[0], self.line[1], self.line[2:]
        found: Float64s = self.centre + level + bend * BEND + (log_hazards - self.centre) @ shares
        return found

    def variance(self, log_hazards: Float64s) -> Float64s:
        """Variance of the log of the hazard summed up to each horizon that the line's own error makes, [n, 3]."""
        hazard = np.exp(self.log_hazard(log_hazards)) * DAYS
        total = horizon_sums(hazard)
        slope = [total, horizon_sums(hazard * BEND)]
        slope += [horizon_sums(hazard * (log_hazards[:, :, m] - self.centre)) for m in range(log_hazards.shape[2])]
        gradient = np.stack(slope, axis=2) / total[:, :, None]
        variance: Float64s = np.einsum("nhi,ij,nhj->nh", gradient, self.covariance, gradient)
        return variance


def calibrate(
    log_hazards: Float64s, days: Float64s, faults: Float64s, vehicle: Int64s, *, distinct: float
) -> Calibration:
    """The line of greatest Poisson likelihood on later person-time, with a prior of equal shares.

    Args:
        log_hazards: Of each candidate, [n, L, M].
        days: Weighted days at risk, [n, L].
        faults: Weighted faults, [n, L].
        vehicle: Of each row, [n].
        distinct: Distinct faults behind the rows; the prior is weighed against them.

    Source: Cox (1958) for the line; Wolpert (1992), Stacked generalization; Liang and Zeger (1986) for the errors.
    """
    count = log_hazards.shape[2]
    worth = distinct / max(float(faults.sum()), 1e-12)
    exposure, hits = worth * days, worth * faults
    mean = log_hazards.mean(axis=2)
    centre = float(np.average(mean, weights=exposure * np.exp(mean) + hits))
    figures = log_hazards - centre
    equal = np.concatenate([[0.0, 0.0], np.full(count, 1 / count)])
    shares = BELIEF_IN_SHARES * np.eye(count) + (BELIEF_IN_SLOPE - BELIEF_IN_SHARES) / count * np.ones((count, count))
    belief = np.zeros((2 + count, 2 + count))
    belief[0, 0] = belief[1, 1] = BELIEF_IN_LEVEL
    belief[2:, 2:] = shares

    def parts(line: Float64s) -> tuple[Float64s, Float64s]:
        at = np.clip(centre + line[0] + line[1] * BEND + figures @ line[2:], -30.0, 3.0)
        return at, exposure * np.exp(at)

    def loss(line: Float64s) -> tuple[float, Float64s]:
        at, expected = parts(line)
        error = expected - hits
        gradient = np.concatenate([[error.sum(), (error @ BEND).sum()], np.einsum("nl,nlm->m", error, figures)])
        away = line - equal
        return float((expected - hits * at).sum() + 0.5 * away @ belief @ away), gradient + belief @ away

    bounds = [(None, None)] * 2 + [(0.0, None)] * count
    line = minimize(loss, equal, jac=True, method="L-BFGS-B", bounds=bounds).x
    _, expected = parts(line)
    design = np.concatenate(
        [np.ones((*days.shape, 1)), np.broadcast_to(BEND[:, None], (*days.shape, 1)), figures], axis=2
    )
    free = np.concatenate([[True, True], line[2:] > 0])
    bread = np.linalg.inv(np.einsum("nl,nli,nlj->ij", expected, design, design, optimize=True) + belief)
    scores = np.einsum("nl,nli->ni", expected - hits, design)
    by_vehicle = np.zeros((int(vehicle.max(initial=0)) + 1, 2 + count))
    np.add.at(by_vehicle, vehicle, scores)
    covariance = bread @ (by_vehicle.T @ by_vehicle) @ bread * np.outer(free, free)
    return Calibration(centre=centre, line=line, covariance=covariance)
