"""Writes frames to files that people open, whole or not at all, so that a spreadsheet runs nothing in them.

Text from data stays text: no formula, no link, nothing that steers the order of letters. Parquet holds it as it came.
"""

import io
import json
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import polars as pl
import polars.selectors as cs
from xlsxwriter import Workbook

from pipelines.errors import SettingError
from pipelines.visible import STEERING, visible

# How text begins that a sheet may run; a mark alone is a unit or a dash, and `% of load` is words.
FORMULA = "^\\s*(?:[=+\\-@\t\r\uff1d\uff0b\uff0d\uff20]\\s*\\S|[|%\uff5c\uff05]\\S)"
NUMBER = r"^\s*[-+]?\d+([.,]\d+)?([eE][-+]?\d+)?(\s*%)?\s*$"
TEXT_ALONE = {  # of a workbook: whatever a text looks like, it is a text
    "strings_to_urls": False,
    "strings_to_formulas": False,
    "strings_to_numbers": False,
    "nan_inf_to_errors": True,
    "default_date_format": "yyyy-mm-dd",
}


def write_frame(frame: pl.DataFrame, target: Path, *, about: Mapping[str, str] = MappingProxyType({})) -> None:
    """Write a frame to `target`, in the format of its ending.

    Args:
        frame: What is written.
        target: Where; what is there is replaced when all of it is written.
        about: Said in the file of what made it: in Parquet's key-value metadata, in a workbook's properties; beside a
            CSV file, which has no place for it, in `NAME.csv.about.json`.

    Raises:
        SettingError: another ending, or the place cannot be written.
    """
    endings = {".parquet", ".csv", ".xlsx"}
    if target.suffix.lower() not in endings:
        raise SettingError(f"{target}: ends in none of {' '.join(sorted(endings))}. Choose one of them.")
    partial = target.with_name(f".{target.name}.partial{target.suffix.lower()}")
    try:
        if target.suffix.lower() == ".parquet":
            frame.write_parquet(partial, metadata=dict(about) or None)
        elif target.suffix.lower() == ".csv":
            partial.write_bytes(csv_bytes(frame))
        else:
            partial.write_bytes(workbook_bytes(frame, about=about))
        partial.replace(target)
        if about and target.suffix.lower() == ".csv":
            beside = target.with_name(f"{target.name}.about.json")
            beside.write_text(json.dumps(dict(about), indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise SettingError(f"{target}: cannot be written ({error.strerror or error}). Choose another place.") from error
    finally:
        partial.unlink(missing_ok=True)


def csv_bytes(frame: pl.DataFrame) -> bytes:
    """The frame as CSV, its header guarded like its cells; times are UTC."""
    return protected(frame).write_csv(datetime_format="%Y-%m-%dT%H:%M:%S%.fZ").encode()


def workbook_bytes(
    frame: pl.DataFrame, *, sheet: str | None = None, about: Mapping[str, str] = MappingProxyType({})
) -> bytes:
    """The frame as an XLSX file of one sheet; times are UTC, without their zone, which a sheet does not know."""
    return sheets_bytes({sheet: frame}, about=about)


def sheets_bytes(
    sheets: Mapping[str | None, pl.DataFrame], *, about: Mapping[str, str] = MappingProxyType({})
) -> bytes:
    """The same with a sheet for each frame, by name (None: a name of its own); `about` becomes its properties."""
    written = io.BytesIO()
    with Workbook(written, TEXT_ALONE) as book:
        for what, value in about.items():
            book.set_custom_property(what, value, "text")
        for name, frame in sheets.items():
            times = [
                column for column, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime) and dtype.time_zone
            ]
            shown = visible_cells(frame).with_columns(pl.col(times).dt.replace_time_zone(None)).fill_nan(None)
            shown.write_excel(book, worksheet=name, autofit=False)
    return written.getvalue()


def protected(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with `'` before text, in headers too, that a spreadsheet may run; numbers kept as text stay so."""
    cells = frame.with_columns(
        _guarded(visible_cells(frame.get_column(name).to_frame()).to_series()) for name in _suspects(frame)
    )
    return cells.rename(_headers(frame.columns))


def _suspects(frame: pl.DataFrame) -> list[str]:
    """Columns with a text that a spreadsheet may run, or that steers; found at once, since most tables have none."""
    seen = frame.select(cs.string().str.contains(f"(?:{FORMULA})|[{STEERING}&&[^\t\n\r]]").any())
    return [name for name, hit in zip(seen.columns, seen.row(0), strict=True) if hit] if seen.width else []


def _guarded(texts: pl.Series) -> pl.Series:
    """The same texts with `'` before those that a spreadsheet may run; a column's name may read as a pattern."""
    text = pl.col("text")
    guarded = (
        pl.when(text.str.contains(FORMULA) & ~text.str.contains(NUMBER))
        .then(pl.concat_str(pl.lit("'"), text))
        .otherwise(text)
    )
    return texts.alias("text").to_frame().select(guarded.alias("text")).to_series().alias(texts.name)


def _headers(names: list[str]) -> dict[str, str]:
    """What each column is called where a spreadsheet opens it; two never get one name."""
    called: dict[str, str] = {}
    for name, runs in zip(names, pl.Series(names, dtype=pl.String).str.contains(FORMULA), strict=True):
        shown = f"'{visible(name)}" if runs else visible(name)
        while shown in called.values() or (shown != name and shown in names):
            shown = f"'{shown}"
        called[name] = shown
    return called


def visible_cells(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with what steers made visible in its texts, but for tabs and line ends, which a cell may hold."""
    hit = [
        name
        for name, dtype in frame.schema.items()
        if dtype == pl.String and frame.get_column(name).str.contains(f"[{STEERING}&&[^\t\n\r]]").any()
    ]
    return frame.with_columns(
        frame.get_column(name).map_elements(_visible_cell, return_dtype=pl.String) for name in hit
    )


def _visible_cell(text: str) -> str:
    return "".join(letter if letter in "\t\n\r" else visible(letter) for letter in text)
