"""What a vehicle's readings are counted from: the centre of its calibrations, and ageing; a compiled kernel."""

import numba
import numpy as np

from pipelines.standstill.unlearned import rows_from


@numba.njit(cache=True, nogil=True)
def anchors(row_start, begin, block, calibration, centre, ageing, km):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Centre as known when the vehicle got its calibration, and ageing with the way since.

    A centre that is learned anew moves no series that is already running, also where a new calibration moves it on.

    Args:
        row_start: [V + 1].
        begin: [V] first row of each vehicle that is wanted; `n` rows in all.
        block: [R] row of `centre` and `ageing` that holds then.
        calibration: [R].
        centre: [B, K].
        ageing: [B] per km.
        km: [R]; NaN: not known.

    Returns:
        [n] the anchor; [n, 2] what of it the vehicle's last change of calibration, and all of them, moved.
    """
    wanted = rows_from(begin, row_start)
    out = np.empty(wanted)
    moved = np.empty((wanted, 2))
    i = 0
    for v in range(len(row_start) - 1):
        if begin[v] == row_start[v + 1]:
            continue
        start = 0.0
        way = 0.0
        newest = 0.0
        every = 0.0
        last = np.nan
        for r in range(row_start[v], row_start[v + 1]):
            if not np.isnan(km[r]):
                if not np.isnan(last):
                    way += ageing[block[r]] * (km[r] - last)
                elif r == row_start[v]:
                    way = ageing[block[r]] * km[r]
                last = km[r]
            if r == row_start[v]:
                start = centre[block[r], calibration[r]]
            elif calibration[r] != calibration[r - 1]:
                newest = centre[block[r], calibration[r]] - centre[block[r], calibration[r - 1]]
                every += newest
            if r >= begin[v]:
                out[i] = start + every + way
                moved[i, 0], moved[i, 1] = newest, every
                i += 1
    return out, moved
