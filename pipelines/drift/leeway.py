"""Leeway: the share of a correction's authority still unused, towards a side that can set a fault."""

import numpy as np
import numpy.typing as npt

from pipelines.handover import Float32s, Float64s


def leeway(
    level: Float32s,
    deviation: Float32s,
    centre: Float64s,
    *,
    low_limit: float,
    high_limit: float,
    can_fault_low: bool,
    can_fault_high: bool,
) -> npt.NDArray[np.float64]:
    """Percent of the authority left, 0 to 100; NaN where no side can fault or nothing is known.

    Args:
        level: Smoothed level, any shape.
        deviation: Level minus what is expected: its sign says which way it strays.
        centre: The family's centre.
        low_limit: Lower end of the authority; NaN: none.
        high_limit: Upper end of the authority; NaN: none.
        can_fault_low: Whether the low side can set a fault; only such a side counts.
        can_fault_high: The same of the high side.
    """
    up = np.asarray(deviation) >= 0
    if not can_fault_low:
        up = np.ones_like(up)
    if not can_fault_high:
        up = np.zeros_like(up)
    limit = np.where(up, high_limit, low_limit)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = 100 * (limit - level) / (limit - centre)
    if not (can_fault_low or can_fault_high):
        return np.full(share.shape, np.nan)
    return np.clip(share, 0, 100)
