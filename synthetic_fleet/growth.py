"""How a defect grows: severity today from severity yesterday, by one of seven laws. Severity 1 meets a limit, about."""

from numba import njit

from synthetic_fleet.state import Record
from synthetic_fleet.stream import gamma, uniform

LAWS = ("steady", "gamma", "accelerating", "step", "plateau", "intermittent", "cold")
STEADY, GAMMA, ACCELERATING, STEP, PLATEAU, INTERMITTENT, COLD = range(7)
MOST = 2.5  # severity beyond which nothing gets worse
JUMP = 0.03  # mean increment of the gamma process
COLD_BELOW = 4.0  # degC


@njit(cache=True, nogil=True, error_model="numpy")
def grow(ill: Record, wear: float, me: Record) -> None:
    """One driven day: steady wear, a gamma process, accelerating, a step that then creeps, or a plateau.

    Args:
        ill: The defect; its severity is changed.
        wear: Today's use over the average day's.
        me: The vehicle, for its random numbers.
    """
    step = ill.rate * wear
    if ill.law == GAMMA:
        step = gamma(me, min(0.9, step / JUMP)) * JUMP
    elif ill.law == ACCELERATING:
        step *= 0.35 + 2.2 * ill.severity
    elif ill.law == STEP:
        step = max(ill.level - ill.severity, 0.4 * step)
    elif ill.law == PLATEAU:
        step = (ill.level - ill.severity) * min(1.0, 4.0 * step)
    ill.severity = min(ill.severity + step, MOST)


@njit(cache=True, nogil=True, error_model="numpy")
def acts(ill: Record, ambient: float, me: Record) -> bool:
    """Whether the defect shows today: an intermittent one comes and goes, one of the cold needs cold."""
    if ill.law == INTERMITTENT:
        stay = 0.7 if ill.on else 0.8
        if uniform(me) >= stay:
            ill.on = not ill.on
    elif ill.law == COLD:
        ill.on = ambient < COLD_BELOW
    return bool(ill.on)
