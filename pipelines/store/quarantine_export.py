"""Writes quarantined rows to files that people mend and load again: the columns as they came, and what is wrong."""

import json
from pathlib import Path

import polars as pl

from pipelines.errors import SettingError
from pipelines.store.exporting import write_frame
from pipelines.store.folder import Store
from pipelines.store.published import quarantined

ADDED = ("quarantine_id", "quarantine_column", "quarantine_reason")  # to the cells as they came


def export_quarantine(
    store: Store, folder: Path, *, drop: str | None = None, ending: str = "csv"
) -> list[tuple[Path, int]]:
    """Write one file per table of quarantined rows that were not mended yet, named so that it loads as it is.

    Args:
        store: Where from.
        folder: Where to; made if it is not there.
        drop: Only rows of this drop; None: of all.
        ending: `csv` or `xlsx`.

    Returns:
        Each file and how many rows it holds.

    Raises:
        SettingError: the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SettingError(f"{folder}: cannot be made ({error.strerror or error}). Choose another place.") from error
    written = []
    for stem, frame in as_they_came(quarantined(store, drop)).items():
        file = folder / f"{stem}.{ending}"
        write_frame(frame, file)
        written.append((file, frame.height))
    return written


def as_they_came(rows: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Quarantined rows as files that load again: their cells as they came, what is wrong, and which row they mend.

    Args:
        rows: As `pipelines.store.published.quarantined` gives them.

    Returns:
        A frame per table, by the name under which a file of it loads, without ending.
    """
    parts = rows.group_by("table_name", maintain_order=True)
    return {f"{table}-quarantine": _cells(part) for (table,), part in parts}


def _cells(rows: pl.DataFrame) -> pl.DataFrame:
    cells = [json.loads(original) for original in rows["original"]]
    names = dict.fromkeys(name for row in cells for name in row)
    columns = [pl.Series(n, [_text(row.get(n)) for row in cells], dtype=pl.String) for n in names if n not in ADDED]
    why = (pl.col("reason") + pl.lit(": ") + pl.col("detail")).alias("quarantine_reason")
    return pl.DataFrame(columns).hstack(
        rows.select("quarantine_id", pl.col("column_name").alias("quarantine_column"), why)
    )


def _text(value: object) -> str | None:
    return None if value is None else str(value)
