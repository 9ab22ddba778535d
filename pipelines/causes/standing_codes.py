"""What stored trouble codes say about the causes: fault events in, log likelihood ratios out."""

from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipelines.causes.hypotheses import Hypothesis
from pipelines.handover import Float64s

RECENT = timedelta(days=60)  # a code that went away unrepaired still speaks for as long (judgement)
BY_CHANCE = 0.02  # a code seen without any of the causes that name it (judgement)
UNNAMED = 0.01  # a code seen with a cause that does not name it (judgement)


def speaking_codes(fault_events: pl.DataFrame, as_of: datetime) -> pl.DataFrame:
    """Codes that stand, or went away unrepaired within RECENT: `vehicle_id, code` (without failure type), unique."""
    stands = pl.col("ended_at").is_null() | (pl.col("ended") == "open")
    unrepaired = (pl.col("ended") != "repaired") & (pl.col("ended_at") >= as_of - RECENT)
    return (
        fault_events.filter(stands | unrepaired)
        .select("vehicle_id", pl.col("code").str.slice(0, 5))
        .unique()
        .sort("vehicle_id", "code")
    )


def log_code_ratios(
    vehicles: tuple[str, ...], spoken: pl.DataFrame, laid_out: tuple[Hypothesis, ...]
) -> tuple[Float64s, dict[str, list[str]]]:
    """Log likelihood ratio of each vehicle's codes under each hypothesis against 'none of these', and the codes.

    Args:
        vehicles: V ids.
        spoken: From `speaking_codes`.
        laid_out: K hypotheses.

    Returns:
        [V, K], and the codes by vehicle. Several codes of one vehicle count as independent; a code that no
        hypothesis names says nothing.
    """
    position = {vehicle: v for v, vehicle in enumerate(vehicles)}
    named = {entry.code for hypothesis in laid_out for entry in hypothesis.codes}
    column = {code: c for c, code in enumerate(sorted(named))}
    likelihood = np.full((len(laid_out), len(column)), UNNAMED)
    for k, hypothesis in enumerate(laid_out):
        for entry in hypothesis.codes:
            likelihood[k, column[entry.code]] = entry.likelihood
    seen = np.zeros((len(vehicles), len(column)))
    codes: dict[str, list[str]] = {}
    for vehicle, code in spoken.iter_rows():
        if vehicle in position:
            codes.setdefault(vehicle, []).append(code)
            if code in column:
                seen[position[vehicle], column[code]] = 1.0
    return seen @ np.log(likelihood / BY_CHANCE).T, codes
