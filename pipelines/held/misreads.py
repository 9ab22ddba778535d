"""Single misread values that are left out, a finding for each file and depot; `spikes` tells which they are."""

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from pipelines.handover import Int64s
from pipelines.held.finding import MISREAD, Finding
from pipelines.held.levels import without_held
from pipelines.held.readings import Measured, Readings
from pipelines.held.spikes import BEGAN, SEVERAL, module_began, out_and_back
from pipelines.threads import in_threads


def misread_values(readings: Readings, held: Mapping[str, Int64s]) -> list[Finding]:
    """Values that are left out, one finding per file and depot.

    A value is told once the reading after it is known. Where several corrections of a reading are far off at once,
    something happened to the vehicle.

    Args:
        readings: All that is known.
        held: Column -> rows that are held already, and are not judged.
    """
    columns = [column for column in readings.measured if column.is_correction]
    told_by = readings.some("vehicle_id", *BEGAN)
    beginnings = np.cumsum(told_by.select(module_began(told_by)).to_series().to_numpy())

    def of(column: Measured) -> Int64s:
        x = without_held(readings.values(column.name), held.get(column.name))
        return out_and_back(x, readings.start, beginnings, step=column.step, neutral=column.neutral)

    told = in_threads(of, columns)
    at_once = np.bincount(np.concatenate([np.zeros(0, np.int64), *told]), minlength=readings.rows)
    cells = {c.name: rows[at_once[rows] <= SEVERAL] for c, rows in zip(columns, told, strict=True)}
    return _by_batch(readings, cells)


def _by_batch(readings: Readings, cells: Mapping[str, Int64s]) -> list[Finding]:
    """The same cells file by file and depot by depot."""
    names = list(cells)
    rows = np.concatenate([np.zeros(0, np.int64), *cells.values()])
    column = np.repeat(np.arange(len(names)), [len(which) for which in cells.values()])
    load, depot = readings.load(corrections=True)[rows], readings.depot[readings.vehicle[rows]]
    order = np.lexsort((rows, column, depot, load))
    rows, column, load, depot = rows[order], column[order], load[order], depot[order]
    new = np.flatnonzero((np.diff(load, prepend=-2) != 0) | (np.diff(depot, prepend=-1) != 0))
    found = []
    for begin, end in pairwise([*new.tolist(), len(rows)]):
        mine, of = rows[begin:end], column[begin:end]
        starts = np.flatnonzero(np.diff(of, prepend=-1))
        parts = zip(of[starts].tolist(), np.split(mine, starts[1:]), strict=True)
        found.append(
            Finding(
                looks_like=MISREAD, load_id=int(load[begin]), depot=readings.depots[int(readings.vehicle[mine[0]])],
                rows=np.unique(mine), sure=0.0, cells={names[k]: which for k, which in parts},
            )
        )  # fmt: skip
    return found
