"""The way in which this fleet's vehicles leave their peers before they fail: one direction over all corrections.

Fleets whose limits are never met, or whose faults stand in no catalogue, still show what failing looks like.
"""

import numpy as np

from pipelines.handover import Float32s, Float64s, Int64s

FOLDS = 5  # of vehicles: each is judged by what the others show; judgement


def learn_direction(deviations: Float32s, fault: Float64s, weight: Float64s, *, faults: float) -> Float64s:
    """Shrunken linear discriminant between readings soon before a fault and all others, [codes], unit spread.

    Args:
        deviations: Compressed deviations, 0 where not read, [n, codes].
        fault: 1: a fault followed soon, [n].
        weight: Of each row; 0: outcome not known, [n].
        faults: Distinct faults; with few of them the direction is close to the plain difference of means.
    """
    hits, others = weight * fault, weight * (1 - fault)
    if not hits.sum() > 0 or not others.sum() > 0:
        return np.zeros(deviations.shape[1])
    means = [np.average(deviations, axis=0, weights=part) for part in (others, hits)]
    around = deviations - np.where(fault[:, None] > 0, means[1], means[0])
    covariance = (around * weight[:, None]).T @ around / weight.sum()
    size = deviations.shape[1]
    ridge = (0.05 + size / (size + faults)) * np.trace(covariance) / max(size, 1) + 1e-9
    direction = np.linalg.solve(covariance + ridge * np.eye(size), means[1] - means[0])
    spread = np.sqrt(max(direction @ covariance @ direction, 1e-12))
    result: Float64s = direction / spread
    return result


def learn_directions(
    deviations: Float32s, fault: Float64s, weight: Float64s, fold: Int64s, *, faults: float
) -> Float64s:
    """For each fold of vehicles, the direction learned from all others, [FOLDS, codes].

    A vehicle that has not failed yet is among the healthy ones that a direction sets the failing apart from; judged by
    that same direction it would look too well.

    Args:
        deviations: As for `learn_direction`.
        fault: The same.
        weight: The same.
        fold: Of each row's vehicle, 0 to FOLDS - 1, [n].
        faults: Distinct faults.
    """
    parts = [
        learn_direction(deviations[others], fault[others], weight[others], faults=faults * (1 - 1 / FOLDS))
        for others in (fold != number for number in range(FOLDS))
    ]
    return np.stack(parts)


def along(directions: Float64s, figures: Float32s, fold: Int64s) -> Float64s:
    """Each row's place along the direction of its vehicle's fold, [n]."""
    place: Float64s = np.einsum("nc,nc->n", figures, directions[fold])
    return place
