"""What came in: drops, what each brought, and what was set aside with the reason."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.views.wording import count
from pipelines.intake.proposals import looks_like, unit_of_mapping
from pipelines.intake.shapes import FOLDER, LISTED

REPORTED = [
    "loaded_at", "drop_name", "file", "table_name", "row_count", "loaded", "replaced", "repeated", "quarantined",
    "flagged", "extra_columns", "unreadable", "withdrawn_at",
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


def proposed_units(proposals: pl.DataFrame) -> list[str]:
    """A line for each column and unit: in how much it is so, and what to do about it; the most readings first.

    Args:
        proposals: One row per load of a file, column and unit, with readings; newest first.
    """
    told = (
        proposals.group_by("column_name", "unit")
        .agg(pl.col("readings").sum(), files=pl.col("load_id").n_unique(), file=pl.col("file").last())
        .sort("readings", "column_name", "unit", descending=[True, False, False])
    )
    return [_proposed_unit(row) for row in told.iter_rows(named=True)]


def _proposed_unit(row: Mapping[str, Any]) -> str:
    readings, files = count(row["readings"], "reading"), count(row["files"], "file")
    return (
        f"{looks_like(row)}: {readings} in {files}, the first {row['file']}. If so in all of a file, load it again "
        f"with {unit_of_mapping(row)}; if in these readings alone, mend them and load them again."
    )


def _sentence(reports: pl.DataFrame, quarantined: pl.DataFrame) -> str:
    if not reports.height:
        return "Nothing came in yet."
    listed = (pl.col("drop_name") == FOLDER) & (pl.col("file") == LISTED)  # which nobody handed over
    stays = reports.filter(pl.col("withdrawn_at").is_null(), ~listed)
    loaded = int(stays.get_column("loaded").sum())
    came = f"{count(loaded, 'row').capitalize()} came in from {count(stays.height, 'file')}"
    unread = reports.filter(pl.col("unreadable").is_not_null()).height
    lost = f" {count(unread, 'file')} could not be read, or not to the end: see why in the table." if unread else ""
    if not quarantined.height:
        return f"{came}; none was set aside.{lost}"
    were = "was" if quarantined.height == 1 else "were"
    return f"{came}; {count(quarantined.height, 'row')} {were} set aside and can be mended and loaded again.{lost}"
