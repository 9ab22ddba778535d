"""What came in: drops, what each brought, and what was set aside with the reason."""

from dataclasses import dataclass

import polars as pl

from dashboard.views.wording import count

REPORTED = [
    "loaded_at", "drop_name", "file", "table_name", "row_count", "loaded", "replaced", "repeated", "quarantined",
    "flagged", "extra_columns", "unreadable",
]  # fmt: skip
QUARANTINED = ["drop_name", "file", "row_number", "column_name", "reason", "detail", "original"]


@dataclass(frozen=True, kw_only=True)
class DropsView:
    """The page: a sentence, one row a load, and the rows set aside."""

    sentence: str
    reports: pl.DataFrame
    quarantined: pl.DataFrame
    reasons: pl.DataFrame
    empty_reason: str = ""


def drops(reports: pl.DataFrame, quarantined: pl.DataFrame) -> DropsView:
    """Loads newest first, and the rows set aside counted by reason.

    Args:
        reports: One row per file of each load.
        quarantined: One row per value or row set aside, with file, row, column and reason.
    """
    reasons = (
        quarantined.group_by("file", "column_name", "reason")
        .agg(rows=pl.len())
        .sort("rows", "file", "column_name", descending=[True, False, False])
        if quarantined.height
        else pl.DataFrame(schema={"file": pl.String, "column_name": pl.String, "reason": pl.String, "rows": pl.UInt32})
    )
    return DropsView(
        sentence=_sentence(reports, quarantined),
        reports=reports.select(REPORTED),
        quarantined=quarantined.select(QUARANTINED),
        reasons=reasons,
        empty_reason="" if reports.height else "Nothing was loaded yet. Load a drop with: leeway load DROP",
    )


def _sentence(reports: pl.DataFrame, quarantined: pl.DataFrame) -> str:
    if not reports.height:
        return "Nothing came in yet."
    loaded = int(reports.get_column("loaded").sum())
    came = f"{count(loaded, 'row').capitalize()} came in from {count(reports.height, 'file')}"
    if not quarantined.height:
        return f"{came}; none was set aside."
    were = "was" if quarantined.height == 1 else "were"
    return f"{came}; {count(quarantined.height, 'row')} {were} set aside and can be mended and loaded again."
