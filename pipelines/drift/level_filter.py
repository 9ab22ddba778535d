"""The level filter: a Kalman filter of one series' healthy reading; compiled, one reading at a time.

Healthy reading minus base = level (unknown at the start of an epoch, wanders slowly) + noise with memory (an
Ornstein-Uhlenbeck process) + rounding. The times between readings may be any.

Source: Kalman (1960), Journal of Basic Engineering 82(1), 35-45; the state is level and noise.
"""

from typing import NamedTuple

import numba
import numpy as np

from pipelines.bands.normal import SCORES

SHOCK = 8.0  # sds of an innovation up to which it moves the noise's own state: most that last are real; judgement
SMOOTHING = 0.3  # weight of the newest reading in the smoothed level; judgement, Montgomery finds 0.05-0.3 to work well

# What is known of level and noise after a reading, unit of the correction; day, hours: of the newest reading.
LEVEL = np.dtype(
    [(name, "f8") for name in (
        "level", "noise", "level_var", "covariance", "noise_var", "smoothed", "day", "hours",
    )],
    align=True,
)  # fmt: skip


class Innovation(NamedTuple):
    """What a reading says beyond what was expected of it: size and sd, and what level and noise take of it."""

    size: float
    sd: float
    variance: float
    level_gain: float
    noise_gain: float


@numba.njit(cache=True, nogil=True, error_model="numpy")
def begin(state, x, noise, level, level_var, noise_var):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Know the level to be about `level`, of variance `level_var`, and read x; nothing of before holds."""
    state.level = level
    state.noise = noise
    state.smoothed = x
    state.level_var = level_var
    state.covariance = 0.0
    state.noise_var = noise_var


@numba.njit(cache=True, nogil=True, error_model="numpy")
def predict(state, days, memory_days, wander_var, noise_var):  # type: ignore[no-untyped-def]
    """Let `days` pass; the share of the noise that is remembered over them.

    Args:
        state: Of `LEVEL`.
        days: Since the reading before.
        memory_days: Time constant of the noise.
        wander_var: Variance that the level gains meanwhile.
        noise_var: Marginal variance of the noise.
    """
    memory = np.exp(-days / memory_days)
    state.noise *= memory
    state.level_var += wander_var
    state.covariance *= memory
    state.noise_var = memory * memory * state.noise_var + noise_var * (1 - memory * memory)
    return memory


@numba.njit(cache=True, nogil=True, error_model="numpy")
def compare(state, x, rounding_var):  # type: ignore[no-untyped-def]
    """The `Innovation` of a reading x."""
    variance = state.level_var + 2 * state.covariance + state.noise_var + rounding_var
    level_gain = (state.level_var + state.covariance) / variance
    noise_gain = (state.covariance + state.noise_var) / variance
    return Innovation(x - state.level - state.noise, np.sqrt(variance), variance, level_gain, noise_gain)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def update(state, x, innovation, score, shock):  # type: ignore[no-untyped-def]
    """Take a reading in.

    Args:
        state: Of `LEVEL`.
        x: The reading.
        innovation: Of it.
        score: What the level takes of it, in sds of the innovation.
        shock: What the noise takes.
    """
    state.level += innovation.level_gain * innovation.sd * score
    state.noise += innovation.noise_gain * innovation.sd * shock
    state.level_var -= innovation.level_gain * innovation.level_gain * innovation.variance
    state.covariance -= innovation.level_gain * innovation.noise_gain * innovation.variance
    state.noise_var -= innovation.noise_gain * innovation.noise_gain * innovation.variance
    state.smoothed += SMOOTHING * (x - state.smoothed)


@numba.njit(cache=True, nogil=True, error_model="numpy", inline="never")
def normal_score(u, knots):  # type: ignore[no-untyped-def]
    """Standard normal score of an innovation by the pooled distribution of innovations; cut at 3.5."""
    size = abs(u)
    last = len(knots) - 1
    if size >= knots[last]:
        score = SCORES[last]
    else:
        k = 1
        while size >= knots[k]:
            k += 1
        score = SCORES[k - 1] + (SCORES[k] - SCORES[k - 1]) * (size - knots[k - 1]) / (knots[k] - knots[k - 1])
    return score if u > 0 else -score


@numba.njit(cache=True, nogil=True, error_model="numpy")
def cut(u):  # type: ignore[no-untyped-def]
    """An innovation in its sds, no larger than `SHOCK`."""
    return min(max(u, -SHOCK), SHOCK)
