"""Depots that moved as a whole after they were known: a family's bands in, the weeks in which its vehicles did out."""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import erfc

from pipelines.bands.band_tables import Bands
from pipelines.bands.group_levels import LEAST, SURE
from pipelines.bands.normal import WEEK
from pipelines.handover import Panel

KNOWN_WEEKS = 8  # after a depot's first week that it is known from on; judgement: two months show its levels
LEAST_MOVED = 1.0  # healthy scatters that a movement must have to be told of; judgement
MOVED = pl.Schema(
    [
        ("engine_family", pl.String()), ("depot", pl.String()), ("correction", pl.String()),
        ("week_from", pl.Datetime("us", "UTC")), ("moved", pl.Float64()), ("vehicles", pl.Int64()),
        ("chance", pl.Float64()),
    ]
)  # fmt: skip


def moved_depots(panel: Panel, bands: Bands) -> pl.DataFrame:
    """Rows of `MOVED`: a correction of a depot and a week in which its vehicles left beyond doubt what they read.

    moved: in sigmas of healthy noise. vehicles: that showed it. chance: that noise does it in any week, depot and
    correction of the family (Bonferroni).
    """
    weeks = bands.weeks[:, :, :-1]
    is_read: NDArray[np.bool_] = weeks["weight"] > 0
    known: NDArray[np.bool_] = np.maximum.accumulate(is_read, axis=1)
    known = np.concatenate([np.zeros_like(known[:, :KNOWN_WEEKS]), known], axis=1)[:, : is_read.shape[1]]
    gap: NDArray[np.float64] = np.where(is_read, weeks["mean"] - weeks["prior"], 0.0)
    error: NDArray[np.float64] = weeks["prior_variance"] + 1 / np.where(is_read, weeks["weight"], 1.0)
    day = bands.start + WEEK * np.arange(weeks.shape[1])
    block = np.maximum(np.searchsorted(bands.normal.starts, day, side="right") - 1, 0)
    size = gap / bands.normal.sigma[:, block][:, :, None]
    has_moved = known & is_read & (weeks["count"] >= LEAST) & (gap**2 > SURE * error) & (np.abs(size) >= LEAST_MOVED)
    code, week, depot = np.nonzero(has_moved)
    z = np.abs(gap[has_moved]) / np.sqrt(error[has_moved])
    return pl.DataFrame(
        {
            "engine_family": [panel.family] * len(code),
            "depot": [panel.depots[d] for d in depot],
            "correction": [panel.codes[c] for c in code],
            "week_from": pl.Series(np.round(day[week] * 86_400e6).astype(np.int64)).cast(MOVED["week_from"]),
            "moved": size[has_moved],
            "vehicles": weeks["count"][has_moved].astype(np.int64),
            "chance": np.minimum(erfc(z / np.sqrt(2)) * max(int(is_read.sum()), 1), 1.0),
        },
        schema=MOVED,
    )
