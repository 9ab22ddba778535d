"""What work since the newest reading takes out of a vehicle's features: those corrections say nothing. Arrays only."""

import numpy as np

from pipelines.forecast.first_passage import NO_MARGIN
from pipelines.forecast.origins import Origins
from pipelines.handover import Bools, FamilyDrift, Int64s
from pipelines.history.since_reading import SinceReading


def left_out_at(origins: Origins, family: FamilyDrift, since: SinceReading | None) -> Bools:
    """[n, C] corrections of one family whose newest reading is from before work on their part; none without `since`."""
    panel = family.panel
    if since is None:
        return np.zeros((len(origins), len(panel.codes)), dtype=np.bool_)
    local = np.searchsorted(panel.row_start, origins.row, side="right") - 1
    is_left_out: Bools = since.left_out(panel.vehicles, panel.codes)[local]
    return is_left_out


def without(summaries: np.ndarray, family: FamilyDrift, rows: Int64s, left_out: Bools) -> np.ndarray:
    """Summaries of rows with their figures of straying taken over the other corrections alone, [n] of `SUMMARY`.

    Args:
        summaries: As `summarise_rows` gives them.
        family: The family's drift.
        rows: Readings, indices into the panel, [n].
        left_out: Corrections that say nothing there, [n, C].
    """
    cut = summaries.copy()
    some = np.flatnonzero(left_out.any(axis=1))
    if not len(some):
        return cut
    silent = left_out[some] | np.isnan(family.z[rows[some]])
    size = np.sort(np.where(silent, 0.0, np.abs(family.z[rows[some]])), axis=1)
    evidence = np.where(silent, 0.0, np.nan_to_num(family.evidence[rows[some]]))
    cut["largest"][some] = size[:, -1]
    cut["second"][some] = size[:, -2] if size.shape[1] > 1 else 0.0
    cut["margin"][some] = np.where(silent, NO_MARGIN, evidence - family.threshold).max(axis=1)
    cut["severity"][some] = (evidence / family.threshold).max(axis=1)
    cut["alarms"][some] = (family.alarm[rows[some]] & ~silent).sum(axis=1)
    return cut
