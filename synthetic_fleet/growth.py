"""How a defect grows: severity today from severity yesterday, by one of seven laws. Severity 1 meets a limit, about."""

import numpy as np
import numpy.typing as npt
from numba import njit

from synthetic_fleet.stream import Streams, gamma, uniform

LAWS = ("steady", "gamma", "accelerating", "step", "plateau", "intermittent", "cold")
STEADY, GAMMA, ACCELERATING, STEP, PLATEAU, INTERMITTENT, COLD = range(7)
MOST = 2.5  # severity beyond which nothing gets worse


@njit(cache=True, nogil=True)
def grown(law: int, severity: float, rate: float, level: float, wear: float, streams: Streams, row: int) -> float:
    """Severity after one day.

    Args:
        law: Index into LAWS.
        severity: Severity before.
        rate: Mean growth a day of average use.
        level: Where a step jumps to and a plateau levels off.
        wear: Today's use over the average day's; 0 on a day off.
        streams: The vehicles' random numbers.
        row: Whose.
    """
    if wear <= 0.0:
        return severity
    step = rate * wear
    if law == GAMMA:
        step = gamma(streams, row, min(0.9, step / 0.03)) * 0.03  # increments of 0.03 on average
    elif law == ACCELERATING:
        step *= 0.35 + 2.2 * severity
    elif law == STEP:
        step = max(level - severity, 0.1 * step)
    elif law == PLATEAU:
        step = (level - severity) * min(1.0, 4.0 * step)
    return min(severity + step, MOST)


@njit(cache=True, nogil=True)
def shows(law: int, on: bool, ambient: float, streams: Streams, row: int) -> bool:
    """Whether the defect acts today: an intermittent one comes and goes, one of the cold needs cold."""
    if law == INTERMITTENT:
        stay = 0.7 if on else 0.8
        return on if uniform(streams, row) < stay else not on
    if law == COLD:
        return ambient < 4.0
    return True


Severities = npt.NDArray[np.float64]
