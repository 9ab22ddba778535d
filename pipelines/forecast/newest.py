"""The newest readings themselves, neither smoothed nor compressed: what nears failure is smoothed away elsewhere.

The detector's level lags behind what grows ever faster, and its compression makes the last days look like the last
month. These figures keep both; their noise is for the hazard that is learned from them to weigh.
"""

import numpy as np

from pipelines.forecast.family_scales import FamilyScales
from pipelines.forecast.origins import read_days
from pipelines.handover import FamilyDrift, Float32s, Int64s

LATELY_DAYS = 10.0  # readings no older are averaged, where a vehicle is read more often than weekly; judgement
MOST_READINGS = 10  # this many at the most; judgement
FARTHEST = 10.0  # spreads, at which figures are cut: one misread value must not speak for a vehicle; judgement


def newest_readings(family: FamilyDrift, rows: Int64s, scales: FamilyScales) -> Float32s:
    """Means of the newest days' readings against what was expected, then against the family, [n, 2 C]; 0: not read.

    The first in sigmas of the series, the second from the centre and in robust spreads of the family's first readings.
    These stay what they were: by spreads learned anew each quarter, the same wear would look smaller in each, since a
    wearing fleet spreads.

    Args:
        family: The family's drift.
        rows: Readings, indices into the panel, [n].
        scales: The family's centres and spreads.
    """
    panel, day = family.panel, read_days(family)
    start = panel.row_start[np.searchsorted(panel.row_start, rows, side="right") - 1]
    centre, spread = scales.first_centre, scales.first_spread
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
