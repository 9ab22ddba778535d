"""Leeway: the share of the authority still unused, towards a side that counts. A compiled kernel."""

import numba
import numpy as np

from pipelines.handover import Float32s, Float64s


def leeway(
    level: Float32s, deviation: Float32s, centre: Float64s, *, low_limit: float, high_limit: float,
    measured_low: bool, measured_high: bool,
) -> Float32s:  # fmt: skip
    """Percent of the authority left, 0 to 100; NaN where there is no limit or nothing is known.

    Args:
        level: [R] smoothed level.
        deviation: [R] level minus what is expected: its sign says which way it strays.
        centre: [R] the family's centre.
        low_limit: Lower end of the authority; NaN: none.
        high_limit: Upper end of the authority; NaN: none.
        measured_low: Whether the low side counts: it can set a fault, or neither side can.
        measured_high: The same of the high side.
    """
    low = low_limit if measured_low else np.nan
    high = high_limit if measured_high else np.nan
    share: Float32s = _share(level, deviation, centre, low, high)
    return share


@numba.njit(cache=True, nogil=True)
def _share(level, deviation, centre, low, high):  # type: ignore[no-untyped-def]
    out = np.empty(len(level), dtype=np.float32)
    for r in range(len(level)):
        limit = high if (deviation[r] >= 0 and not np.isnan(high)) or np.isnan(low) else low
        way = limit - centre[r]
        left = 100 * (limit - level[r]) / way if way != 0 else 0.0
        out[r] = min(max(left, 0.0), 100.0) if not np.isnan(left) else np.nan
    return out
