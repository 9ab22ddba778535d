"""The plan as a workbook: visits, parts to order by depot, vehicles left out; text from data stays text."""

import polars as pl

from pipelines.handouts.gather import Papers
from pipelines.store.exporting import sheets_bytes


def workbook_of(papers: Papers) -> bytes:
    """An XLSX file of three sheets."""
    parts = papers.parts.with_columns(
        to_order=(pl.col("needed").cast(pl.Int64) - pl.col("on_hand")).clip(lower_bound=0)
    )
    left_out = papers.left_out.drop("as_of", strict=False)
    return sheets_bytes({"Plan": papers.plan, "Parts to order": parts, "Left out": left_out})
