"""Single misread values that are left out, a finding for each file and depot; `spikes` tells which they are."""

from collections.abc import Mapping

import numpy as np

from pipelines.handover import Bools, Int64s
from pipelines.held.finding import MISREAD, Finding
from pipelines.held.levels import filled
from pipelines.held.readings import Measured, Readings
from pipelines.held.spikes import SEVERAL, module_began, out_and_back
from pipelines.threads import in_threads


def misread_values(readings: Readings, held: Mapping[str, Bools]) -> list[Finding]:
    """Values that are left out, one finding per file and depot.

    A value is told once the reading after it is known. Where several corrections of a reading are far off at once,
    something happened to the vehicle.

    Args:
        readings: All that is known.
        held: Column -> [R] what is held already, and is not judged.
    """
    columns = [column for column in readings.measured if column.is_correction]
    beginnings = np.cumsum(readings.frame.select(module_began(readings.frame)).to_series().to_numpy())

    def of(column: Measured) -> Int64s:
        x = filled(readings.values(column.name), held.get(column.name))
        return out_and_back(x, readings.start, beginnings, step=column.step, neutral=column.neutral)

    told = in_threads(of, columns)
    at_once = np.bincount(np.concatenate([np.zeros(0, np.int64), *told]), minlength=readings.rows)
    cells = {c.name: rows[at_once[rows] <= SEVERAL] for c, rows in zip(columns, told, strict=True)}
    return _by_batch(readings, cells)


def _by_batch(readings: Readings, cells: Mapping[str, Int64s]) -> list[Finding]:
    """The same cells file by file and depot by depot."""
    load = readings.load(corrections=True)
    every = np.unique(np.concatenate([np.zeros(0, np.int64), *cells.values()]))
    keys = np.stack([load[every], readings.depot[readings.vehicle[every]]], axis=1)
    found = []
    for batch in np.unique(keys, axis=0):
        rows = every[(keys == batch).all(axis=1)]
        mine = {name: np.intersect1d(which, rows) for name, which in cells.items()}
        found.append(
            Finding(
                looks_like=MISREAD, load_id=int(batch[0]), depot=readings.depots[int(readings.vehicle[rows[0]])],
                rows=rows, sure=0.0, cells={name: which for name, which in mine.items() if len(which)},
            )
        )  # fmt: skip
    return found
