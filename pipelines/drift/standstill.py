"""Corrections that stand still while the engine is used: readings in, flags out. That is not steadiness."""

import numba
import numpy as np

from pipelines.handover import Bools, Float32s, Float64s, Int64s

UNLIKELY = 1e-4  # a run of equal readings less likely than this, as the family goes, is not learning
LEAST = 8  # readings
LONGER = 2.0  # than the longest run the same series had before
ALWAYS = 0.8  # a correction whose readings repeat more often than this tells nothing
USED_HOURS = 5.0  # ignition hours, where known, that must have passed


def stands_still(values: Float32s, row_start: Int64s, hours: Float64s) -> Bools:
    """[V, C] whether the newest readings of a series are equal to the last digit for longer than chance explains.

    Rounding makes readings repeat in health: how often, all vehicles together show, and each series' own past.

    Args:
        values: [C, R] readings, rows sorted by vehicle, then time.
        row_start: [V + 1].
        hours: [R] stitched ignition hours; NaN: not known.
    """
    pairs, same, both, again, last, longest, since = _runs(values, row_start)
    once, twice = same / np.maximum(pairs, 1), again / np.maximum(both, 1)
    needed = 2 + np.log(UNLIKELY / np.clip(once, UNLIKELY, 1)) / np.log(np.clip(twice, 1e-9, ALWAYS))
    needed = np.where(twice > ALWAYS, np.inf, np.maximum(np.ceil(needed), LEAST))
    used = hours[row_start[1:] - 1][None, :] - hours[since]
    found: Bools = (last >= needed[:, None]) & (last > LONGER * longest) & ~(used < USED_HOURS)
    return found.T


@numba.njit(cache=True, nogil=True)
def _runs(values, row_start):  # type: ignore[no-untyped-def]
    """[C] pairs, equal pairs, pairs after an equal one, equal ones of them; [C, V] last run, longest before, start."""
    corrections, vehicles = len(values), len(row_start) - 1
    counts = np.zeros((4, corrections))
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
                equal = x == before
                if run:
                    counts[0, c] += 1
                    counts[1, c] += equal
                if run > 1:
                    counts[2, c] += 1
                    counts[3, c] += equal
                if equal:
                    run += 1
                else:
                    longest[c, v] = max(longest[c, v], run)
                    run = 1
                    since[c, v] = r
                before = x
            last[c, v] = run
    return counts[0], counts[1], counts[2], counts[3], last, longest, since
