"""Corrections that stand still while the engine is used: readings in, flags out. That is not steadiness."""

import numba
import numpy as np

from pipelines.handover import Bools, Float32s, Float64s, Int64s

LEAST = 8  # readings; judgement
COMMON = 0.95  # share of the family's vehicles whose longest run counts as usual; judgement
LONGER = 2.0  # times the usual longest run, and; judgement
OWN = 2.0  # times the longest that the same series had before; judgement
USED_HOURS = 5.0  # ignition hours, where known, that must have passed; judgement


def stands_still(values: Float32s, row_start: Int64s, hours: Float64s) -> Bools:
    """[C, V] whether the newest readings of a series are equal to the last digit for longer than chance explains.

    Rounding and regions that a duty never visits make readings repeat in health: how long, all vehicles together show
    (runs that still last among them), and each series' own past. Series that never moved are no failure where they are
    common.

    Args:
        values: [C, R] readings, rows sorted by vehicle, then time.
        row_start: [V + 1].
        hours: [R] stitched ignition hours; NaN: not known.
    """
    last, longest, since = _runs(values, row_start)
    moved = longest > 0
    runs = np.where(moved, np.maximum(last, longest), 0)
    needed = np.maximum(LEAST, LONGER * np.quantile(runs, COMMON, axis=1, method="lower"))
    duty = (~moved & (last >= LEAST)).mean(axis=1) > 1 - COMMON
    used = hours[row_start[1:] - 1][None, :] - hours[since]
    found: Bools = (last >= needed[:, None]) & (last > OWN * longest) & ~(used < USED_HOURS)
    found &= moved | ~duty[:, None]
    return found


@numba.njit(cache=True, nogil=True)
def _runs(values, row_start):  # type: ignore[no-untyped-def]
    """[C, V] length of the newest run of equal readings, of the longest before it, and the row it began at."""
    corrections, vehicles = len(values), len(row_start) - 1
    last, longest = np.zeros((corrections, vehicles)), np.zeros((corrections, vehicles))
    since = np.zeros((corrections, vehicles), dtype=np.int64)
    for c in range(corrections):
        for v in range(vehicles):
            run = 0
            before = np.nan
            since[c, v] = row_start[v]
            for r in range(row_start[v], row_start[v + 1]):
                x = values[c, r]
                if np.isnan(x):
                    continue
                if x == before:
                    run += 1
                else:
                    longest[c, v] = max(longest[c, v], run)
                    run = 1
                    since[c, v] = r
                before = x
            last[c, v] = run
    return last, longest, since
