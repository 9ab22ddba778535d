"""What a learning epoch's end carries over: what was known in health before it, and the relearning after it; compiled.

An epoch ends no defect: what a vehicle read in health before it is carried on, as far as it was known, and what stands
apart from that once relearning is over is a departure; one that stood before needs less to stand again.
"""

from typing import NamedTuple

import numba
import numpy as np

FAR = 2.5  # sds of vehicles' levels off the centre, from which a way back towards it is a recovery; judgement
HOME = 4.0  # squared sds of what was known before an epoch within which a level is back there: two sds; judgement
HOURS_A_DAY = 2.0  # ignition hours a day where the clock is not known; judgement
SETTLED_AT = 0.5  # relearning is over when less than this many sigmas can be left of it; judgement

# What an epoch's end moved, as the recalibration tells of peers: shift of the level, variance of the shift's error, and
# variance that a level gains over any epoch's end.
MOVED = np.dtype([(name, "f8") for name in ("shift", "shift_var", "gained_var")], align=True)
# Of the epochs before, in health: level and its variance, side of an alarm that stood (0: none), and how many changes
# of calibration since. The level is NaN where nothing is known.
CARRIED = np.dtype([("level", "f8"), ("variance", "f8"), ("side", "f8"), ("changes", "i8")], align=True)
# Ignition hours of the epoch in which the correction learned, how far it may have begun from where it will settle, and
# its first reading.
RELEARNING = np.dtype([("hours", "f8"), ("amplitude", "f8"), ("start", "f8"), ("on", "?")], align=True)


class Departure(NamedTuple):
    """How far a level stands from the one carried over, and the variance of that."""

    size: float
    variance: float


@numba.njit(cache=True, nogil=True, error_model="numpy")
def begin_relearning(state, amplitude, start, sigma):  # type: ignore[no-untyped-def]
    """A new epoch's first reading is `start`; 0 amplitude: nothing is learned anew."""
    state.hours = 0.0
    state.amplitude = amplitude
    state.start = start
    state.on = amplitude > SETTLED_AT * sigma


@numba.njit(cache=True, nogil=True, error_model="numpy")
def relearn(state, hours, learn_hours, sigma):  # type: ignore[no-untyped-def]
    """Let so many ignition hours pass; variance of the level's movement in them."""
    left = state.amplitude * np.exp(-state.hours / learn_hours)
    state.hours += hours
    still = state.amplitude * np.exp(-state.hours / learn_hours)
    state.on = still > SETTLED_AT * sigma
    return left * left - still * still


@numba.njit(cache=True, nogil=True, error_model="numpy")
def shorten(state, smoothed, learn_hours, sigma):  # type: ignore[no-untyped-def]
    """Expect no more of relearning than its readings show: after a time constant, what came tells what is to come.

    Of a way of `amplitude`, the share 1 - exp(-hours / learn_hours) is behind it by now; sigma: what noise may hide.
    """
    if state.hours >= learn_hours:
        left = np.exp(-state.hours / learn_hours)
        state.amplitude = min(state.amplitude, (abs(state.start - smoothed) + sigma) / (1 - left))
        state.on = state.amplitude * left > SETTLED_AT * sigma


@numba.njit(cache=True, nogil=True, error_model="numpy")
def home_of(carried, moved):  # type: ignore[no-untyped-def]
    """Level to which it will come in health, by what was known before the epoch; else, by what is known of all."""
    level = 0.0 if np.isnan(carried.level) else carried.level
    return level + (moved.shift if carried.changes or np.isnan(carried.level) else 0.0)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def beyond(state, carried, moved, level, started):  # type: ignore[no-untyped-def]
    """How far a relearning level lies beyond all it may pass: where it was in health, the centre, and its start.

    started: Whether its start may still be on its way.
    """
    home = home_of(carried, moved)
    start = state.start if started else home
    return level - min(max(level, min(start, home, 0.0)), max(start, home, 0.0))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def departure(carried, level, level_var, moved, spread_var):  # type: ignore[no-untyped-def]
    """The `Departure` of a level from the one carried over, as far as nothing explains it.

    Args:
        carried: Of `CARRIED`.
        level: Of the present epoch, minus the family's centre.
        level_var: Variance of its error.
        moved: Of `MOVED`: what the last change of calibration moved.
        spread_var: Variance of vehicles' levels.
    """
    gone = level - carried.level
    variance = level_var + carried.variance
    if carried.changes:
        gone -= moved.shift
        variance += moved.shift_var + (carried.changes - 1) * spread_var
    if gone * carried.side <= 0 and gone * carried.level < 0:  # towards the family's centre: something was cured
        gone = np.sign(gone) * max(abs(gone) - abs(carried.level), 0.0)
        if not carried.changes:  # and may stand on the other side now, as vehicles do; a calibration cures nothing
            variance += spread_var
    return Departure(gone, variance)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def on_the_way(state, baseline, learn_hours):  # type: ignore[no-untyped-def]
    """What to expect of a relearning correction that will settle at `baseline`."""
    if state.amplitude > 0:
        baseline += (state.start - baseline) * np.exp(-state.hours / learn_hours)
    return baseline


@numba.njit(cache=True, nogil=True, error_model="numpy")
def was_ill(baseline, x, smoothed, spread_sd):  # type: ignore[no-untyped-def]
    """Whether a correction that was taken for normal far from the centre has come back towards it."""
    return abs(baseline) > FAR * spread_sd and min(abs(x), abs(smoothed)) < abs(baseline) / 2


@numba.njit(cache=True, nogil=True, error_model="numpy")
def is_home(carried, moved, baseline, x, smoothed, noise_var):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Whether it is back where it was before the epoch, and not near what was expected of it since."""
    home, variance = home_of(carried, moved), carried.variance + noise_var
    if carried.changes:
        variance += moved.shift_var
    apart = min(abs(x - home), abs(smoothed - home))
    return apart * apart < HOME * variance and apart < abs(baseline - home) / 2
