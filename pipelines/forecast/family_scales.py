"""Centres and spreads of a family's levels and readings, that its vehicles are told apart by; arrays in, arrays out."""

from dataclasses import dataclass

import numpy as np

from pipelines.forecast.origins import read_days
from pipelines.handover import FamilyDrift, Float32s, Float64s, Int64s
from pipelines.learning_blocks import block_starts

FAMILY_SAMPLE = 20_000  # readings of a family that its centre and spread are taken from; for speed
SAMPLE = 20_000  # rows that tell a family's spread; for speed


@dataclass(frozen=True, kw_only=True)
class FamilyScales:
    """Learned of a family's vehicles.

    Attributes:
        starts: [B] of the blocks of time, days since 1970.
        centre, spread: [B, C] of the levels known by each block.
        first_centre, first_spread: [C] of the readings in the first block that has some.
    """

    starts: Float64s
    centre: Float32s
    spread: Float32s
    first_centre: Float64s
    first_spread: Float64s

    @classmethod
    def of(cls, family: FamilyDrift) -> "FamilyScales":
        """As these vehicles show them."""
        day = read_days(family)
        starts = block_starts(day.min(), day.max())
        block = np.searchsorted(starts, day, side="right") - 1
        centre, spread = _levels(family, block, len(starts))
        first = _first_spread(family, block, len(starts))
        return cls(starts=starts, centre=centre, spread=spread, first_centre=first[0], first_spread=first[1])

    def levels_at(self, family: FamilyDrift, rows: Int64s) -> tuple[Float32s, Float32s]:
        """Centre and robust spread of the family's levels as known at each row, [n, C] each: what wearing fleets share.

        A deviation is taken from what peers do; where most of them are failing at once, failing looks normal. Levels
        are learned in blocks of time: those before the row's, in the first block its own.
        """
        block = np.maximum(np.searchsorted(self.starts, read_days(family)[rows], side="right") - 1, 0)
        return self.centre[block], self.spread[block]


def _levels(family: FamilyDrift, block: Int64s, blocks: int) -> tuple[Float32s, Float32s]:
    centre, spread = np.empty((2, blocks, len(family.panel.codes)), dtype=np.float32)
    for number in range(blocks):
        known = np.flatnonzero(block < max(number, 1))
        known = known[:: 1 + len(known) // FAMILY_SAMPLE]
        sample = family.expected[known] + family.deviation[known]
        sample = np.where(np.isfinite(sample).any(axis=0), sample, 0.0)
        centre[number] = np.nanmedian(sample, axis=0)
        spread[number] = 1.4826 * np.nanmedian(np.abs(sample - centre[number]), axis=0)
    return centre, np.where(spread > 0, spread, np.inf)


def _first_spread(family: FamilyDrift, block: Int64s, blocks: int) -> tuple[Float64s, Float64s]:
    """Median and robust spread of each correction's readings in the first block that has some, [C] each."""
    values = family.panel.values
    centre, spread = np.full((2, values.shape[1]), np.nan)
    for number in range(blocks):
        unknown = np.flatnonzero(np.isnan(centre))
        rows = np.flatnonzero(block == number)
        sample = values[np.ix_(rows[:: 1 + len(rows) // SAMPLE], unknown)].astype(np.float64)
        read = np.isfinite(sample).any(axis=0)
        if read.any():
            centre[unknown[read]] = np.nanmedian(sample[:, read], axis=0)
            away = np.abs(sample[:, read] - centre[unknown[read]])
            spread[unknown[read]] = 1.4826 * np.nanmedian(away, axis=0)
    return centre, np.fmax(spread, family.sigma)
