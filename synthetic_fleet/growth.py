"""How a defect grows: severity today from severity yesterday, by one of seven laws. Severity 1 meets a limit, about."""

from numba import njit

from synthetic_fleet.state import Defects
from synthetic_fleet.stream import Streams, gamma, uniform

LAWS = ("steady", "gamma", "accelerating", "step", "plateau", "intermittent", "cold")
STEADY, GAMMA, ACCELERATING, STEP, PLATEAU, INTERMITTENT, COLD = range(7)
MOST = 2.5  # severity beyond which nothing gets worse
JUMP = 0.03  # mean increment of the gamma process
COLD_BELOW = 4.0  # degC


@njit(cache=True, nogil=True, error_model="numpy")
def grow(row: int, slot: int, wear: float, defects: Defects, streams: Streams) -> None:
    """One driven day: steady wear, a gamma process, accelerating, a step that then creeps, or a plateau.

    Args:
        row: The vehicle.
        slot: Which of its defects.
        wear: Today's use over the average day's.
        defects: Changed in place.
        streams: The vehicles' random numbers.
    """
    law, severity, level = defects.law[row, slot], defects.severity[row, slot], defects.level[row, slot]
    step = defects.rate[row, slot] * wear
    if law == GAMMA:
        step = gamma(streams, row, min(0.9, step / JUMP)) * JUMP
    elif law == ACCELERATING:
        step *= 0.35 + 2.2 * severity
    elif law == STEP:
        step = max(level - severity, 0.4 * step)
    elif law == PLATEAU:
        step = (level - severity) * min(1.0, 4.0 * step)
    defects.severity[row, slot] = min(severity + step, MOST)


@njit(cache=True, nogil=True, error_model="numpy")
def acts(row: int, slot: int, ambient: float, defects: Defects, streams: Streams) -> bool:
    """Whether the defect shows today: an intermittent one comes and goes, one of the cold needs cold."""
    law = defects.law[row, slot]
    if law == INTERMITTENT:
        stay = 0.7 if defects.on[row, slot] else 0.8
        if uniform(streams, row) >= stay:
            defects.on[row, slot] = not defects.on[row, slot]
    elif law == COLD:
        defects.on[row, slot] = ambient < COLD_BELOW
    return bool(defects.on[row, slot])
