"""The bank of onsets: steps and ramps that may have begun at readings of the past, each weighed against no change.

The generalised likelihood ratio on the level filter's innovations: of a change of unit size, an onset keeps what the
filter has taken in by now, and how well the innovations follow what it has not. Compiled, one reading at a time.

Source: Willsky and Jones (1976), IEEE Transactions on Automatic Control 21(1), 108-112.
"""

from typing import NamedTuple

import numba
import numpy as np

CANDIDATES = 32  # onsets of a series; at most these: 16 by age lose nothing (Lai 1995), and as many for their own sake
NOTABLE = 2.0  # squared z of a step from which an onset is kept for its own sake; judgement
AGE_RATIO = 1.8  # an onset goes when its elder neighbour is at most this many times as old as its younger; judgement
# A ramp that explains no more than a step does, give or take rounding, as after one reading, is none; numerical.
TIE = 1e-9
RAMP_DAYS = 30.0  # a ramp's unit of growth is one of the correction's in so many days; any unit does; definition

# Of a change of unit size: what level and noise of the filter took in, score (z times root of weight), and weight.
CHANGE = np.dtype([(name, "f8") for name in ("level", "noise", "score", "weight")], align=True)
# An onset: time and number of the last reading before it, its step and its ramp, and the squared z of its step.
ONSET = np.dtype(
    [("day", "f8"), ("reading", "f8"), ("step", CHANGE), ("ramp", CHANGE), ("step_z2", "f8")], align=True
)  # fmt: skip

# Room for the onsets of one series, as a record: who holds it is not counted at each call.
BANK = np.dtype([("onsets", ONSET, (CANDIDATES,))], align=True)


class Best(NamedTuple):
    """The onset and shape that explain most: squared z, score and weight, what the level took in, whether a ramp.

    ramp_z2, step_z2: of the best of each shape. step_day, step_reading: of that step's onset.
    """

    z2: float
    score: float
    weight: float
    level: float
    is_ramp: float
    ramp_z2: float
    step_z2: float
    step_day: float
    step_reading: float


def empty_bank(vehicles: int) -> np.ndarray:
    """Room for the onsets of so many series, [n] of `ONSET`."""
    return np.empty(vehicles * CANDIDATES, dtype=ONSET)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def fade(bank, count, memory):  # type: ignore[no-untyped-def]
    """Let time pass over which the noise remembers the share `memory`."""
    for j in range(count):
        bank[j].step.noise *= memory
        bank[j].ramp.noise *= memory


@numba.njit(cache=True, nogil=True, error_model="numpy")
def open_onset(bank, count, day, reading):  # type: ignore[no-untyped-def]
    """Add an onset just after the reading of this time and number; how many there are then."""
    onset = bank[count]
    onset.day = day
    onset.reading = reading
    for change in (onset.step, onset.ramp):
        change.level = 0.0
        change.noise = 0.0
        change.score = 0.0
        change.weight = 0.0
    onset.step_z2 = 0.0
    return count + 1


@numba.njit(cache=True, nogil=True, error_model="numpy")
def follow(change, grown, innovation, score, precision):  # type: ignore[no-untyped-def]
    """Take one innovation into a change; its squared z. score: over the sd, precision: one over the variance."""
    left = grown - change.level - change.noise
    change.level += innovation.level_gain * left
    change.noise += innovation.noise_gain * left
    change.score += left * score
    change.weight += left * left * precision
    return change.score * change.score / change.weight


@numba.njit(cache=True, nogil=True, error_model="numpy")
def weigh(bank, count, innovation, score, day):  # type: ignore[no-untyped-def]
    """Take one innovation, with its normal score, into all onsets; the `Best`."""
    best_ramp = best_step = 0.0
    step_at = ramp_at = -1
    precision, scaled = 1 / innovation.variance, score / innovation.sd
    for j in range(count):
        onset = bank[j]
        step_z2 = follow(onset.step, 1.0, innovation, scaled, precision)
        ramp_z2 = follow(onset.ramp, (day - onset.day) / RAMP_DAYS, innovation, scaled, precision)
        onset.step_z2 = step_z2
        if step_z2 > best_step:
            best_step, step_at = step_z2, j
        if ramp_z2 > best_ramp:
            best_ramp, ramp_at = ramp_z2, j
    if step_at < 0:
        return Best(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, day, 0.0)
    best = bank[step_at]
    if best_ramp > best_step * (1 + TIE):
        z2, is_ramp, change = best_ramp, 1.0, bank[ramp_at].ramp
    else:
        z2, is_ramp, change = best_step, 0.0, best.step
    return Best(
        z2, change.score, change.weight, change.level, is_ramp, best_ramp, best_step, best.day, best.reading
    )  # fmt: skip


@numba.njit(cache=True, nogil=True, error_model="numpy")
def thin(bank, count, newest):  # type: ignore[no-untyped-def]
    """Drop onsets that lie close to their neighbours, in place; how many are left, below `CANDIDATES`."""
    if count == 0:
        return 0
    left = 1
    for j in range(1, count):
        if j < count - 1:
            elder, younger = newest - bank[left - 1].reading, newest - bank[j + 1].reading
            peak = bank[j].step_z2 > max(NOTABLE, bank[left - 1].step_z2, bank[j + 1].step_z2)
            if elder <= AGE_RATIO * younger and not peak:
                continue
        if left != j:
            bank[left] = bank[j]
        left += 1
    if left == CANDIDATES:
        for j in range(1, left):
            bank[j - 1] = bank[j]
        left -= 1
    return left
