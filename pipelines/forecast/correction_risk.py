"""How many faults follow each correction's straying: faults that followed over those that any would announce.

A limit is not met alike everywhere: some corrections set their code long before it, some stand beside it for years, and
some codes come from what no correction measures. The fleet's own record says which, a correction and side at a time.
"""

import numpy as np

from pipelines.forecast.failure_direction import FOLDS
from pipelines.handover import Float64s, Int64s

BELIEF = 2.0  # faults, that a correction warns as the others do: judgement


def learn_risks(lead: Int64s, sides: int, expected: Float64s, faults: Float64s, fold: Int64s) -> Float64s:
    """For each fold of vehicles, the log of faults over expected on all others, by what led, [FOLDS, sides].

    Args:
        lead: Which correction and side leads each row, 0 to sides - 1; -1: none, [n].
        sides: How many there are.
        expected: Faults that a hazard blind to which correction it is expects of each row, [n].
        faults: Faults of each row, both counted so that each distinct fault is one, [n].
        fold: Of each row's vehicle, [n].

    Source: gamma-Poisson by a fixed belief, as for standardised ratios: Clayton and Kaldor (1987).
    """
    led = lead >= 0
    place = fold[led] * sides + lead[led]
    seen, foretold = (
        np.bincount(place, weights=part[led], minlength=FOLDS * sides).reshape(FOLDS, sides)
        for part in (faults, expected)
    )
    risk: Float64s = np.log((seen.sum(axis=0) - seen + BELIEF) / (foretold.sum(axis=0) - foretold + BELIEF))
    return risk


def risks_of(risks: Float64s, lead: Int64s, fold: Int64s) -> Float64s:
    """Each row's log risk by what leads it and by its vehicle's fold; 0 where nothing leads, [n]."""
    return np.where(lead >= 0, risks[fold, np.maximum(lead, 0)], 0.0)
