"""The first sheet of an XLSX file -> text cells; read in a process of its own, since its reader aborts on hostile ones.

The reader lays out every cell between the first and the last one, so the sheet's extent is looked at beforehand, in the
zipped XML as it streams by.
"""

import posixpath
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO
from xml.etree import ElementTree

import fastexcel
import polars as pl

from pipelines.errors import DropError, EmptyError
from pipelines.intake.blocks import ROW, distinct_names, text_bytes
from pipelines.intake.limits import Limits
from pipelines.intake.sheet_formats import sheet_times, with_shown_units

CELL = re.compile(rb"""\sr\s*=\s*["']([A-Z]{0,3})([0-9]{1,7})["']""")  # the place of a row (`12`) or a cell (`C12`)
PIECE_BYTES = 2**20
SMALL_PART = 4 * 2**20  # what lists the sheets: beyond it, it is none
MAGIC = b"PK\x03\x04"


# What the library, and the zip and XML readers, raise of a file that is no workbook.
UNREADABLE = (
    fastexcel.FastExcelError, zipfile.BadZipFile, zlib.error, struct.error, ElementTree.ParseError, OSError, EOFError,
    KeyError, ValueError, RuntimeError, pl.exceptions.PolarsError,
)  # fmt: skip


def read_xlsx(path: Path, limits: Limits, *, glued: bool = False, skip_lines: int = 0) -> pl.DataFrame:
    """The sheet's rows as text cells, each with its row number; the header is row 1, or the one after those skipped.

    Numbers that are shown in per cent come as they are shown; `glued`: with the unit of their format after them.

    Raises:
        DropError: the file is cut off, is no workbook, or holds more than it may.
        EmptyError: the sheet holds nothing.
    """
    try:
        _look_at(path, limits)
        sheet = fastexcel.read_excel(path.read_bytes()).load_sheet(
            0, header_row=None, dtypes="string", skip_whitespace_tail_rows=False
        )
        cells = sheet.to_polars()
        with zipfile.ZipFile(path) as book:
            cells = with_shown_units(cells, book, _first_sheet(book), glued=glued)
    except UNREADABLE as error:
        text = " ".join(str(error).split())[:160]
        raise DropError(f"{path.name}: cannot be read as xlsx ({text}). Is it what its ending says?") from error
    except pl.exceptions.PanicException as error:
        raise DropError(f"{path.name}: cannot be read as xlsx (its reader broke off). Save it anew.") from error
    if cells.is_empty():
        raise EmptyError(f"{path.name}: its first sheet is empty. Nothing to load.")
    limits.refuse_beyond("columns", cells.width, file=path.name)
    limits.refuse_beyond("rows", cells.height, file=path.name)
    limits.refuse_unpacked(text_bytes(cells), packed=path.stat().st_size, file=path.name)  # which stand there once
    if cells.height <= skip_lines:
        raise EmptyError(f"{path.name}: holds no row below the {skip_lines} that are skipped. Nothing to load.")
    cells.columns = distinct_names(name or "" for name in cells.row(skip_lines))
    rows = cells.slice(skip_lines + 1)
    number = pl.int_range(pl.len(), dtype=pl.Int64) + skip_lines + 2
    return rows.with_columns(*(sheet_times(column) for column in rows.iter_columns()), number.alias(ROW))


def _look_at(path: Path, limits: Limits) -> None:
    """Refuse a workbook that is cut off, unpacks to more than it may, or whose first sheet reaches too far."""
    if not zipfile.is_zipfile(path):
        with path.open("rb") as file:
            if file.read(len(MAGIC)) == MAGIC:
                raise DropError(
                    f"{path.name}: is truncated (it begins as a workbook, its end is missing). Copy it anew."
                )
        raise ValueError("it is no zipped workbook")
    with zipfile.ZipFile(path) as book:
        unpacked = sum(part.file_size for part in book.infolist())
        limits.refuse_unpacked(unpacked, packed=path.stat().st_size, file=path.name)
        if name := _first_sheet(book):
            with book.open(name) as sheet:
                limits.refuse_beyond("sheet_cells", _extent(sheet), file=path.name)


def _first_sheet(book: zipfile.ZipFile) -> str | None:
    """Name of the part that holds the first sheet; None: it is not where it should be, and the reader may find it."""
    sheets = [each for each in _tree(book, "xl/workbook.xml") if each.tag.endswith("}sheet")]
    wanted = [value for name, value in (sheets[0].attrib.items() if sheets else ()) if name.endswith("}id")]
    targets = [
        each.attrib.get("Target", "")
        for each in _tree(book, "xl/_rels/workbook.xml.rels")
        if wanted and each.attrib.get("Id") == wanted[0]
    ]
    if not targets:
        return None
    name = targets[0].lstrip("/") if targets[0].startswith("/") else posixpath.normpath(f"xl/{targets[0]}")
    return name if name in book.namelist() else None


def _tree(book: zipfile.ZipFile, name: str) -> Iterator[ElementTree.Element]:
    """Elements of a part that lists others; none where it is not there, or too large to be a list."""
    if name in book.namelist() and book.getinfo(name).file_size <= SMALL_PART:
        yield from ElementTree.fromstring(book.read(name)).iter()  # noqa: S314 (bounded in size and in memory)


def _extent(sheet: IO[bytes]) -> int:
    """How many cells lie between the sheet's first row and column and its last ones."""
    rows, columns = 0, 0
    for piece in _pieces(sheet):
        places = set(CELL.findall(piece))
        rows = max([rows, *(int(row) for _, row in places)])
        columns = max([columns, *(_number(letters) for letters in {letters for letters, _ in places})])
    return rows * columns


def _pieces(stream: IO[bytes]) -> Iterator[bytes]:
    """The stream in pieces that overlap, so that no cell's place is cut in two."""
    kept = b""
    while piece := stream.read(PIECE_BYTES):
        yield kept + piece
        kept = piece[-64:]


def _number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number
