"""How much one reading scatters about the level before it, per family, correction and block of time; arrays only."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numba
import numpy as np
import polars as pl

from pipelines.handover import Bools, Float32s, Float64s, Int64s
from pipelines.history.learned import at_block
from pipelines.history.reading_rows import days, families, row_starts
from pipelines.learning_blocks import block_starts, has_past

LEVEL_WEIGHT = 0.35  # of the newest reading in the level that a value is compared with; judgement
LEAST_STEPS = 10  # between readings of a family, before the noise of a correction can be told; judgement
SCALE_SAMPLE = 20_000  # readings of a family from which the noise of a correction is taken; for speed
ONE_SIGMA = 68.27  # percentile of a normal scatter within one sigma; definition


@dataclass(frozen=True, kw_only=True)
class Cells:
    """Families by blocks of time, F * B cells: whose readings are where, and from which cells each one is learned.

    of_row: [R] cell of each reading. first: [F * B + 1] place of each cell's first where readings are sorted by cell.
    learned: [F, B] how many of a family's blocks tell of each: those before it, or where the family has no past of its
    own by then, the block itself too.
    """

    row_start: Int64s
    of_row: Int64s
    first: Int64s
    learned: Int64s

    @classmethod
    def of(cls, rows: pl.DataFrame, fleet_start: float) -> "Cells":
        """Of readings as `reading_rows` gives them; `fleet_start`: day of the fleet's first reading."""
        family = families(rows)[1]
        day, block = days(rows["read_at"]), rows["block"].to_numpy()
        count = int(family.max(initial=-1)) + 1
        starts = block_starts(fleet_start, day.max(initial=-np.inf))
        of_row = family * starts.size + block
        sizes = np.bincount(of_row, minlength=count * starts.size)
        first_day = np.full(count, np.inf)
        np.minimum.at(first_day, family, day)
        return cls(
            row_start=row_starts(rows),
            of_row=of_row,
            first=np.append(0, np.cumsum(sizes)),
            learned=np.arange(starts.size) + ~has_past(first_day, starts),
        )


def scatter(cells: Cells, values: Float32s, begun: Bools, resolution: float, known: Mapping[int, Float64s]) -> Float64s:
    """[F * B] robust sd of one reading about the level before it, quantising added; NaN: too seldom read.

    Args:
        cells: Families by blocks.
        values: [R] of one correction; NaN: not read.
        begun: [R] something that may reset happened before this reading.
        resolution: Step of the values.
        known: What this gave of other vehicles of some families, by their places: [B].
    """
    step, count = np.empty(values.size), np.zeros(cells.learned.size, np.int64)
    _fill_steps(cells.row_start, values, begun, cells.of_row, cells.first, step, count)
    count_of, blocks = cells.learned.shape
    sigma = np.full((count_of, blocks), np.nan)
    for f in (place for place in range(count_of) if place not in known):

        def by(until: int, begin: int = f * blocks) -> float:
            return _spread(step, cells.first[begin : begin + until], count[begin : begin + until])

        told = {until: by(until) for until in np.unique(cells.learned[f]).tolist()}
        for b, until in enumerate(cells.learned[f].tolist()):  # by the block itself too, where nobody read it before
            sigma[f, b] = by(b + 1) if np.isnan(told[until]) else told[until]
    combined: Float64s = np.hypot(sigma, resolution / math.sqrt(12))
    for f, before in known.items():
        combined[f] = at_block(before, np.arange(blocks))
    return combined.ravel()


def _spread(step: Float64s, first: Int64s, count: Int64s) -> float:
    """Robust sd of the steps of some cells; NaN: too few."""
    steps = int(count.sum())
    if steps < LEAST_STEPS:
        return np.nan
    return float(np.percentile(np.abs(_every(step, first, count, max(steps // SCALE_SAMPLE, 1))), ONE_SIGMA))


@numba.njit(cache=True, nogil=True)
def _fill_steps(row_start, values, begun, cell, first, step, count):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Fill the first places of each cell with its values less the levels before them, and how many there are.

    None for the first value of a vehicle, and after what may reset.
    """
    for v in range(row_start.size - 1):
        level = np.nan
        for r in range(row_start[v], row_start[v + 1]):
            if not np.isnan(values[r]):
                if np.isnan(level) or begun[r]:
                    level = values[r]
                else:
                    moved = values[r] - level
                    step[first[cell[r]] + count[cell[r]]] = moved
                    count[cell[r]] += 1
                    level += LEVEL_WEIGHT * moved


@numba.njit(cache=True, nogil=True)
def _every(step, first, count, stride):  # type: ignore[no-untyped-def]
    """Every so manieth of the steps of some cells."""
    sample = np.empty((count.sum() + stride - 1) // stride)
    taken, place = 0, 0
    for cell in range(first.size):
        while place < count[cell]:
            sample[taken] = step[first[cell] + place]
            taken += 1
            place += stride
        place -= count[cell]
    return sample
