"""EWMA charts of standardised deviations, and their run lengths: what a chart without whitening would do."""

import numpy as np
from scipy.special import ndtr

from pipelines.handover import Float64s


def ewma(z: Float64s, *, weight: float) -> Float64s:
    """Exponentially weighted moving average along the last axis, in units of its own long-run sd.

    Args:
        z: Deviations in sigmas, [..., n]; NaN: not read, the average is held.
        weight: Share of the newest reading, in (0, 1].

    Source: Roberts (1959), Technometrics 1, 239-250; limits for a long history.
    """
    out = np.zeros_like(z)
    level = np.zeros(z.shape[:-1])
    for i in range(z.shape[-1]):
        level = np.where(np.isnan(z[..., i]), level, level + weight * (z[..., i] - level))
        out[..., i] = level
    scaled: Float64s = out / np.sqrt(weight / (2 - weight))
    return scaled


def average_run_length(*, weight: float, limit: float, shift: float, states: int = 401) -> float:
    """Mean number of readings to a signal of independent normal deviations with this mean, from a chart at 0.

    Args:
        weight: Share of the newest reading, in (0, 1].
        limit: L, in sds of the average, above 0.
        shift: Mean of the deviations, in sigmas.
        states: Of the Markov chain, odd.

    Source: Lucas and Saccucci (1990), Technometrics 32, 1-12.
    """
    bound = limit * np.sqrt(weight / (2 - weight))
    width = 2 * bound / states
    middle = -bound + width * (np.arange(states) + 0.5)
    edges = -bound + width * np.arange(states + 1)
    chance = np.diff(ndtr((edges[None, :] - (1 - weight) * middle[:, None]) / weight - shift), axis=1)
    lengths = np.linalg.solve(np.eye(states) - chance, np.ones(states))
    return float(lengths[states // 2])
