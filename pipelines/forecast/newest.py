"""The newest readings themselves, neither smoothed nor compressed: what nears failure is smoothed away elsewhere.

The detector's level lags behind what grows ever faster, and its compression makes the last days look like the last
month. These figures keep both; their noise is for the hazard that is learned from them to weigh.
"""

import numpy as np

from pipelines.forecast.origins import read_days
from pipelines.handover import FamilyDrift, Float32s, Float64s, Int64s
from pipelines.learning_blocks import block_starts

LATELY_DAYS = 10.0  # readings no older are averaged, where a vehicle is read more often than weekly; judgement
MOST_READINGS = 10  # this many at the most; judgement
FARTHEST = 10.0  # spreads, at which figures are cut: one misread value must not speak for a vehicle; judgement
SAMPLE = 20_000  # rows that tell a family's spread; for speed


def newest_readings(family: FamilyDrift, rows: Int64s) -> Float32s:
    """Means of the newest days' readings against what was expected, then against the family, [n, 2 C]; 0: not read.

    The first in sigmas of the series, the second from the centre and in robust spreads of the family's first readings.
    These stay what they were: by spreads learned anew each quarter, the same wear would look smaller in each, since a
    wearing fleet spreads.

    Args:
        family: The family's drift.
        rows: Readings, indices into the panel, [n].
    """
    panel, day = family.panel, read_days(family)
    start = panel.row_start[np.searchsorted(panel.row_start, rows, side="right") - 1]
    centre, spread = _first_spread(family)
    width = len(panel.codes)
    total, count = np.zeros((len(rows), 2 * width), dtype=np.float32), np.zeros((len(rows), width), dtype=np.float32)
    for back in range(MOST_READINGS):
        row = rows - back
        near = np.flatnonzero((row >= start) & (day[rows] - day[np.maximum(row, 0)] < LATELY_DAYS))
        if not len(near):
            break
        at = row[near]
        spreads = (panel.values[at] - family.expected[at]) / (family.sigma * family.scale[at])
        both = np.concatenate([spreads, (panel.values[at] - centre) / spread], axis=1)
        total[near] += np.nan_to_num(np.clip(both, -FARTHEST, FARTHEST))
        count[near] += np.isfinite(spreads)
    mean: Float32s = total / np.tile(np.maximum(count, 1), 2)
    return mean


def _first_spread(family: FamilyDrift) -> tuple[Float64s, Float64s]:
    """Median and robust spread of each correction's readings in the first block that has some, [C] each."""
    values, day = family.panel.values, read_days(family)
    starts = block_starts(day.min(), day.max())
    block = np.searchsorted(starts, day, side="right") - 1
    centre, spread = np.full((2, values.shape[1]), np.nan)
    for number in range(len(starts)):
        unknown = np.flatnonzero(np.isnan(centre))
        rows = np.flatnonzero(block == number)
        sample = values[np.ix_(rows[:: 1 + len(rows) // SAMPLE], unknown)].astype(np.float64)
        read = np.isfinite(sample).any(axis=0)
        if read.any():
            centre[unknown[read]] = np.nanmedian(sample[:, read], axis=0)
            away = np.abs(sample[:, read] - centre[unknown[read]])
            spread[unknown[read]] = 1.4826 * np.nanmedian(away, axis=0)
    return centre, np.fmax(spread, family.sigma)
