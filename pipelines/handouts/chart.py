"""A small chart of one correction for paper: places between 0 and 1, no ink; published frames in, plain data out."""

from datetime import datetime
from typing import Any

import polars as pl

from pipelines.handover import Evidence

NEWEST_READINGS = 60  # in the chart


def chart_of(
    vehicle_id: str,
    correction: str | None,
    correction_state: pl.DataFrame,
    evidence: Evidence,
    *,
    mark: datetime | None = None,
) -> dict[str, Any]:
    """Newest readings of a correction, each way between 0 and 1, with its normal band; empty: nothing read.

    Args:
        vehicle_id: The fleet number.
        correction: Its code; None: there is none.
        correction_state: The contract's table.
        evidence: Its readings and catalogue.
        mark: A time to be marked.
    """
    if correction is None or correction not in evidence.snapshots.columns:
        return {}
    read = (
        evidence.snapshots.filter(pl.col("vehicle_id") == vehicle_id)
        .select("read_at", value=pl.col(correction).cast(pl.Float64))
        .drop_nulls()
        .sort("read_at")
        .tail(NEWEST_READINGS)
    )
    state = correction_state.filter(pl.col("vehicle_id") == vehicle_id, pl.col("correction") == correction).to_dicts()
    if read.height < 2 or not state:
        return {}
    band = [level for level in (state[0]["band_low"], state[0]["band_high"]) if level is not None]
    at, levels = read["read_at"].dt.epoch("s").to_list(), [*read["value"].to_list(), *band]
    low, high = min(levels), max(levels)
    height, width = (high - low) or 1.0, max(at[-1] - at[0], 1)
    title = evidence.corrections.filter(pl.col("code") == correction)
    name, unit = title.select(pl.col("title").fill_null(pl.col("code")), pl.col("unit").fill_null("")).row(0)
    return {
        "title": f"{name}{f', {unit}' if unit else ''}",
        "points": [[(t - at[0]) / width, (value - low) / height] for t, value in zip(at, read["value"], strict=True)],
        "mark": None if mark is None else min(max((mark.timestamp() - at[0]) / width, 0.0), 1.0),
        "band": [(level - low) / height for level in band] if len(band) == 2 else [],
        "low": f"{low:.4g}",
        "high": f"{high:.4g}",
        "from": f"{read['read_at'][0]:%d %b %Y}",
        "to": f"{read['read_at'][-1]:%d %b %Y}",
    }
