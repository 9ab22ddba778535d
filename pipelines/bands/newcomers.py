"""Vehicles read for the first time, week by week, and what they say of their groups' levels; compiled."""

import numba
import numpy as np

from pipelines.bands.group_levels import take_in
from pipelines.bands.robust_mean import robust_mean


@numba.njit(cache=True, nogil=True)
def openings(x, order, vehicle, peers):  # type: ignore[no-untyped-def]
    """[V] row of each vehicle's first reading, -1: read before; and those rows in their order."""
    opening = np.full(len(peers), -1)
    opened = 0
    for r in range(len(x)):
        v = vehicle[r]
        if opening[v] < 0 and not peers[v].placed and not np.isnan(x[r]):
            opening[v] = r
            opened += 1
    for v in range(len(peers)):
        if opening[v] < 0 and not peers[v].placed:
            opening[v] = len(x)  # not read yet
    rows = np.empty(opened, dtype=np.int64)
    opened = 0
    for r in order:
        if opening[vehicle[r]] == r:
            rows[opened] = r
            opened += 1
    return opening, rows[:opened]


@numba.njit(cache=True, nogil=True)
def welcome(rows, order, opened, model, known, w, exclude):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take the vehicles whose first readings are `opened`, in week w, into what is known of their groups."""
    new, variance = np.empty(len(opened)), np.empty(len(opened))
    block = rows.block[opened[0]]
    for g in range(len(known.groups)):
        count = 0
        for r in opened:
            if rows.group[r] == g and rows.vehicle[r] != exclude:
                new[count] = rows.x[r] - known.weeks[max(w - 1, 0), order.depot_of[g]].season
                variance[count] = model.noise[block] + model.level[block]
                count += 1
        if count:
            mean, weight, _ = robust_mean(new[:count], variance[:count])
            take_in(known.groups[g], mean, weight, count)
