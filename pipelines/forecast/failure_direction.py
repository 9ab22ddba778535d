"""The way in which this fleet's vehicles leave their peers before they fail: one direction over all corrections.

Fleets whose limits are never met, or whose faults stand in no catalogue, still show what failing looks like.
"""

import numpy as np

from pipelines.handover import Float64s, Int64s

FOLDS = 5


def learn_direction(deviations: Float64s, fault: Float64s, weight: Float64s, *, faults: float) -> Float64s:
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


def held_out_scores(
    deviations: Float64s, fault: Float64s, weight: Float64s, vehicle: Int64s, *, faults: float
) -> Float64s:
    """Each row's place along the direction learned from other vehicles alone, [n]."""
    scores = np.zeros(len(deviations))
    for fold in range(FOLDS):
        mine = vehicle % FOLDS == fold
        others = learn_direction(deviations[~mine], fault[~mine], weight[~mine], faults=faults * (1 - 1 / FOLDS))
        scores[mine] = deviations[mine] @ others
    return scores
