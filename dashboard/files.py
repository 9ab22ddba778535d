"""Frames as files that a reader saves, and as cells that a table on the screen holds."""

import codecs
import io

import polars as pl

from dashboard.signed_in import place
from pipelines.settings_file import made_with, settings_now
from pipelines.store.exporting import csv_bytes, protected, workbook_bytes


def as_csv(frame: pl.DataFrame) -> bytes:
    """A file that a spreadsheet opens and runs nothing of; with a mark of its encoding."""
    return codecs.BOM_UTF8 + csv_bytes(frame)


def as_parquet(frame: pl.DataFrame) -> bytes:
    """The same as Parquet, for programs: text as it came."""
    written = io.BytesIO()
    frame.write_parquet(written, metadata=made_with(settings_now(place())))
    return written.getvalue()


def as_workbook(frame: pl.DataFrame, sheet: str) -> bytes:
    """The same as XLSX, of one sheet."""
    return workbook_bytes(frame, sheet=sheet, about=made_with(settings_now(place())))


def as_cells(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame as a table on the screen holds it, whose own download a spreadsheet opens too."""
    return protected(frame)
