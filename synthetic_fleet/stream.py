"""One stream of random numbers per vehicle, so that no vehicle's fate depends on how many others there are."""

from typing import Any

import numpy as np
from numba import njit

from synthetic_fleet.state import Array, Record


@njit(cache=True, nogil=True, error_model="numpy")
def draw(me: Record) -> Any:
    """Next 64 random bits of a vehicle's stream (SplitMix64: Steele, Lea and Flood, 2014)."""
    me.stream += np.uint64(0x9E3779B97F4A7C15)
    bits = me.stream
    bits = (bits ^ (bits >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    bits = (bits ^ (bits >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return bits ^ (bits >> np.uint64(31))


@njit(cache=True, nogil=True, error_model="numpy")
def uniform(me: Record) -> float:
    """Uniform in (0, 1)."""
    return (float(draw(me) >> np.uint64(11)) + 0.5) * (1.0 / 9007199254740992.0)


@njit(cache=True, nogil=True, error_model="numpy")
def bell(me: Record) -> float:
    """Mean 0, sd 1, bell-shaped: the sum of four uniforms (Irwin-Hall), cheap and within 3.5 sd.

    Only what learning averages over days draws from it, so that its short tails do not reach a reading.
    """
    bits = draw(me)
    mask = np.uint64(0xFFFF)
    total = (
        (bits & mask) + ((bits >> np.uint64(16)) & mask) + ((bits >> np.uint64(32)) & mask) + (bits >> np.uint64(48))
    )
    return (float(total) / 65535.0 - 2.0) * 1.7320508075688772


@njit(cache=True, nogil=True, error_model="numpy")
def gamma(me: Record, shape: float) -> float:
    """Gamma with a shape below 1 and scale 1 (Ahrens and Dieter, 1974, method GS)."""
    bound = 1.0 + 0.36787944117144233 * shape
    while True:
        point = bound * uniform(me)
        if point <= 1.0:
            value = point ** (1.0 / shape)
            if uniform(me) <= np.exp(-value):
                return float(value)
        else:
            value = -np.log((bound - point) / shape)
            if uniform(me) <= value ** (shape - 1.0):
                return float(value)


def start(seed: int, vehicles: Array, purpose: int) -> Array:
    """The first state of the streams of these vehicles (by number) for one purpose."""
    states = [np.random.SeedSequence((seed, int(v), purpose)).generate_state(1, np.uint64)[0] for v in vehicles]
    return np.array(states, dtype=np.uint64)
