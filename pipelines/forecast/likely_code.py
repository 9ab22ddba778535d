"""The code a fault would most likely set: by the leading correction's side, else by what the fleet's faults were."""

import numpy as np

from pipelines.forecast.features import Features
from pipelines.forecast.origins import Origins
from pipelines.handover import Drift, Evidence, History

Counts = dict[tuple[str, str], int]  # by engine family and code


def likely_codes(
    origins: Origins, features: Features, drift: Drift, *, evidence: Evidence, counts: Counts
) -> list[str | None]:
    """One code for each origin; None: neither the catalogue nor a fault of this fleet names one.

    Of the codes that the leading correction's side can set, the one this fleet's family has set most often (the
    catalogue's first where none was). Without a leading correction, the family's most frequent code.
    """
    sides = {
        (row["code"], side): [code for code in (row[name] or "").split("|") if code]
        for row in evidence.corrections.select("code", "fault_low", "fault_high").iter_rows(named=True)
        for side, name in ((-1, "fault_low"), (1, "fault_high"))
    }
    usual: dict[str, str] = {}
    for (family, code), count in counts.items():
        if family not in usual or count > counts[(family, usual[family])]:
            usual[family] = code
    codes: list[str | None] = []
    for index, leading, side in zip(origins.family, features.leading, np.sign(features.side), strict=True):
        panel = drift.families[index].panel
        choices = sides.get((panel.codes[leading], int(side)), []) if leading >= 0 else []
        best = max(choices, key=lambda code: counts.get((panel.family, code), 0), default=None)
        codes.append(best if best is not None else usual.get(panel.family))
    return codes


def counts_of(history: History) -> Counts:
    """How often each family set each code, the most frequent first."""
    families = history.readings.select("vehicle_id", "engine_family").unique(subset="vehicle_id")
    counted = (
        history.fault_events.join(families, on="vehicle_id")
        .group_by("engine_family", "code")
        .len()
        .sort("engine_family", "len", "code", descending=[False, True, False])
    )
    return {(family, code): count for family, code, count in counted.iter_rows()}
