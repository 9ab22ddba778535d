"""Scores from 0 to 1 that mean the same everywhere: the share of reference vehicle-weeks that are less unlike."""

import numpy as np

from pipelines.handover import Float64s


def conformal_score(measure: Float64s, reference: Float64s) -> Float64s:
    """1 - conformal p of each measure against the reference ones, [n], in [0, 1).

    Args:
        measure: Larger is more unlike, [n].
        reference: The same measure of healthy vehicle-weeks, [m]; with m of them no score exceeds m / (m + 1).

    Source: Bates, Candès, Lei, Romano and Sesia (2023), Testing for outliers with conformal p-values.
    """
    at_least = len(reference) - np.searchsorted(np.sort(reference), measure, side="left")
    score: Float64s = 1 - (1 + at_least) / (len(reference) + 1)
    return score
