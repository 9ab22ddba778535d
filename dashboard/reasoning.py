"""One vehicle's reasoning from what an analysis kept beside its tables; nothing where it kept too little."""

from collections.abc import Mapping

import polars as pl

from pipelines.bands.band_tables import MODEL, OF_BLOCK, OTHERS_TAUGHT
from pipelines.bands.recalibration import SHIFT_PARTS
from pipelines.bands.season import WEEK_PARTS
from pipelines.drift.correction_paths import correction_paths
from pipelines.handover import Evidence

# Published beside the contract's tables, for the newest state: tables, and the columns that are needed of them.
NEEDED = {
    "drift_model": (*MODEL, *OF_BLOCK),
    "drift_centre": ("centre",),
    "drift_season": WEEK_PARTS,
    "drift_carried": ("carried",),
    "drift_shift": SHIFT_PARTS,
    "drift_level": ("level",),
    "drift_joined": ("others",),
    OTHERS_TAUGHT: (),
}
KEPT = tuple(NEEDED)


def paths(evidence: Evidence, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Every correction of one vehicle at every reading, with the parts of its expectation and the test's statistic.

    Args:
        evidence: Of this vehicle.
        tables: Those of KEPT; without columns: not kept. An older release kept less, which is then not used.
    """
    whole = all(set(columns) <= set(tables[name].columns) for name, columns in NEEDED.items())
    return correction_paths(evidence, tables if whole else {})
