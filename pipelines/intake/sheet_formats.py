"""How a sheet's numbers are typed and formatted: cells as a reader of numbers must see them.

A sheet's reader gives every cell as text and forgets two things that the text cannot tell: which cells were typed as
numbers, whose dot is never a grouping of thousands, and which are shown in per cent or with a unit. Both are read from
the zipped XML, where a sheet has such cells at all.
"""

import re
import zipfile
from collections.abc import Iterator
from decimal import Decimal
from typing import IO
from xml.etree import ElementTree

import polars as pl

from pipelines.intake.casting import GROUPED, unmistakable
from pipelines.intake.units import is_unit

PIECE_BYTES = 2**20
PERCENTS = {"9": "%", "10": "%"}  # formats that every workbook has, of ECMA-376 part 1, 18.8.30
TAG = re.compile(rb"<(?:\w+:)?(row|c)\b([^>]*)>")
PLACE = re.compile(rb"""(?:^|\s)r\s*=\s*["']([A-Z]{0,3})([0-9]{0,7})["']""")
STYLE = re.compile(rb"""(?:^|\s)s\s*=\s*["']([0-9]+)["']""")
TEXTUAL = re.compile(rb"""(?:^|\s)t\s*=\s*["'](?:s|str|inlineStr|e|b|d)["']""")
LITERAL = re.compile(r'"([^"]*)"|\\(.)|\[\$([^\]-]*)[^\]]*\]')  # text that a format shows beside the number
DATE_PARTS = re.compile(r"[ymdhs]", re.IGNORECASE)
DAY_ONLY = r"^\d{4}-\d{2}-\d{2} 00:00:00$"
DURATION = r"^(?:1899|1900)-\d{2}-\d{2} \d{2}:\d{2}:\d{2}"  # a time of day or a duration, which a sheet keeps as a date


def with_shown_units(cells: pl.DataFrame, book: zipfile.ZipFile, sheet: str | None, *, glued: bool) -> pl.DataFrame:
    """Text cells of a sheet with what their typing and formats say.

    Args:
        cells: All cells as text, without the empty rows and columns before the first one.
        book: The workbook.
        sheet: Name of the part that holds the sheet; None: not known, nothing is looked at.
        glued: Whether the unit that a number is shown with is written after it.

    Returns:
        The same shape. Numbers shown in per cent as they are shown (5.5 for 0.055); a typed number whose dot could be
        taken for grouping with one more zero.
    """
    if sheet is not None:
        shown = _units_by_style(book)
        doubtful = any(bool(column.str.contains(GROUPED).any()) for column in cells.iter_columns())
        if doubtful or any(glued or unit == "%" for unit in shown.values()):
            cells = _typed_and_shown(cells, book, sheet, shown, glued=glued)
    return cells


def _typed_and_shown(
    cells: pl.DataFrame, book: zipfile.ZipFile, sheet: str, shown: dict[str, str], *, glued: bool
) -> pl.DataFrame:
    with book.open(sheet) as stream:
        places = [(row, column, style) for row, column, style in _numbers(stream)]
        stream.seek(0)
        rows, columns = _origin(stream)
    columns_of = [column.to_list() for column in cells.iter_columns()]
    changed: set[int] = set()
    for row, column, style in places:
        at, of = row - rows, column - columns
        if not (0 <= at < cells.height and 0 <= of < cells.width):
            continue
        text, unit = columns_of[of][at], shown.get(style, "")
        if text is not None and (told := _told(text, unit, glued=glued)) != text:
            columns_of[of][at] = told
            changed.add(of)
    return cells.with_columns(pl.Series(cells.columns[of], columns_of[of], dtype=pl.String) for of in sorted(changed))


def _told(text: str, unit: str, *, glued: bool) -> str:
    """A typed number's text so that it says its value whatever a comma or a dot means elsewhere in the file."""
    if unit == "%":
        text = _hundredfold(text)
    text = unmistakable(text)
    return f"{text} {unit}" if unit and glued and is_unit(unit) else text


def _hundredfold(text: str) -> str:
    try:
        number = Decimal(text) * 100
    except ArithmeticError:
        return text
    return format(number.normalize(), "f") if number else "0"


def sheet_times(column: pl.Series) -> pl.Series:
    """A column's cells with days alone as dates, and times of day and durations as `hh:mm:ss`."""
    filled = column.drop_nulls()
    if filled.is_empty():
        return column
    if filled.str.contains(DAY_ONLY).all() and not filled.str.contains(DURATION).any():
        return column.str.replace(" 00:00:00", "", literal=True)
    if not filled.str.contains(DURATION).any():
        return column
    since = column.str.slice(0, 19).str.to_datetime("%Y-%m-%d %H:%M:%S", strict=False) - pl.datetime(1899, 12, 31)
    seconds = pl.select(since.dt.total_seconds()).to_series()
    texts = pl.select(pl.format(
        "{}:{}:{}", (seconds // 3600).cast(pl.String).str.zfill(2), (seconds // 60 % 60).cast(pl.String).str.zfill(2),
        (seconds % 60).cast(pl.String).str.zfill(2),
    )).to_series()  # fmt: skip
    return texts.zip_with(column.str.contains(DURATION).fill_null(value=False), column).alias(column.name)


def _units_by_style(book: zipfile.ZipFile) -> dict[str, str]:
    """The unit that each cell style shows with its numbers: `%`, or the text of a format such as `0 "km"`."""
    if "xl/styles.xml" not in book.namelist():
        return {}
    formats, styles = dict(PERCENTS), dict[str, str]()
    root = ElementTree.fromstring(book.read("xl/styles.xml"))  # noqa: S314 (in a process of bounded memory)
    for each in root.iter():
        if each.tag.endswith("}numFmt"):
            formats[each.attrib.get("numFmtId", "")] = _unit_of_format(each.attrib.get("formatCode", ""))
    cell_styles = next((each for each in root.iter() if each.tag.endswith("}cellXfs")), None)
    for number, each in enumerate(() if cell_styles is None else cell_styles):
        if unit := formats.get(each.attrib.get("numFmtId", ""), ""):
            styles[str(number)] = unit
    return styles


def _unit_of_format(code: str) -> str:
    first = code.split(";", maxsplit=1)[0]
    bare = LITERAL.sub("", first)
    if "%" in bare:
        return "%"
    if DATE_PARTS.search(re.sub(r"\[[^\]]*\]", "", bare)) or not re.search(r"[0#]", bare):
        return ""
    return "".join("".join(found) for found in LITERAL.findall(first)).strip()


def _numbers(sheet: IO[bytes]) -> Iterator[tuple[int, int, str]]:
    """Row, column (both from 0) and style of each cell that is typed as a number."""
    for row, column, attributes in _cells(sheet):
        if not TEXTUAL.search(attributes):
            style = STYLE.search(attributes)
            yield row, column, style[1].decode() if style else ""


def _origin(sheet: IO[bytes]) -> tuple[int, int]:
    """The first row and the first column in which a cell holds something."""
    first_row, first_column = 2**21, 2**15
    for row, column, attributes in _cells(sheet):
        if not attributes.endswith(b"/"):
            first_row, first_column = min(first_row, row), min(first_column, column)
    return first_row, first_column


def _cells(sheet: IO[bytes]) -> Iterator[tuple[int, int, bytes]]:
    """Row, column and attributes of each cell, in the sheet's order; a cell without a place follows the one before."""
    row, column, rest = -1, -1, b""
    while piece := sheet.read(PIECE_BYTES):
        held = rest + piece
        cut = held.rfind(b"<")
        for kind, attributes in TAG.findall(held[:cut] if cut >= 0 else b""):
            place = PLACE.search(attributes)
            if kind == b"row":
                row, column = int(place[2]) - 1 if place and place[2] else row + 1, -1
                continue
            column = _column(place[1]) if place and place[1] else column + 1
            yield row, column, attributes
        rest = held[max(cut, 0) :]


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number - 1
