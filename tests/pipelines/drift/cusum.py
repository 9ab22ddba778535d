"""CUSUM charts of standardised deviations, and their run lengths: what a chart without whitening would do."""

import numpy as np
from scipy.special import ndtr

from pipelines.handover import Float64s


def cusum(z: Float64s, *, allowance: float) -> tuple[Float64s, Float64s]:
    """Upper and lower one-sided CUSUM along the last axis, both at least 0.

    Args:
        z: Deviations in sigmas, [..., n]; NaN: not read, the sums are held.
        allowance: k, half the shift looked for, in sigmas, at least 0.

    Source: Page (1954), Biometrika 41, 100-115.
    """
    upper, lower = np.zeros_like(z), np.zeros_like(z)
    high, low = np.zeros(z.shape[:-1]), np.zeros(z.shape[:-1])
    for i in range(z.shape[-1]):
        step = np.nan_to_num(z[..., i], nan=0.0)
        held = np.isnan(z[..., i])
        high = np.where(held, high, np.maximum(0.0, high + step - allowance))
        low = np.where(held, low, np.maximum(0.0, low - step - allowance))
        upper[..., i], lower[..., i] = high, low
    return upper, lower


def average_run_length(
    *, allowance: float, limit: float, shift: float, two_sided: bool = True, states: int = 401
) -> float:
    """Mean number of readings to a signal of independent normal deviations with this mean, from a chart at 0.

    Args:
        allowance: k, in sigmas.
        limit: h, in sigmas, above 0.
        shift: Mean of the deviations, in sigmas.
        two_sided: Both charts, or the upper alone.
        states: Of the Markov chain; the answer's error falls with their square.

    Source: Brook and Evans (1972), Biometrika 59, 539-549; two sides by Van Dobben de Bruyn (1968).
    """
    upper = _one_sided(allowance, limit, shift, states)
    if not two_sided:
        return upper
    return 1 / (1 / upper + 1 / _one_sided(allowance, limit, -shift, states))


def _one_sided(allowance: float, limit: float, shift: float, states: int) -> float:
    width = 2 * limit / (2 * states - 1)
    middle = width * np.arange(states)
    edges = middle + width / 2
    reach = ndtr(edges[None, :] - middle[:, None] + allowance - shift)
    chance = np.diff(reach, axis=1, prepend=0.0)
    return float(np.linalg.solve(np.eye(states) - chance, np.ones(states))[0])
