"""Delimited text (CSV in its dialects) -> frames of cells, a block at a time; no meaning of a column is known here."""

import csv
import gzip
import io
import re
import shutil
import tempfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import IO

import polars as pl

from pipelines.errors import DropError, EmptyError
from pipelines.intake.blocks import BOOKKEEPING, Block
from pipelines.intake.delimited_rows import SMALL_BYTES, Form, decoded, read_rows, whole_rows
from pipelines.threads import ahead

BLOCK_BYTES = 64 * 2**20
SEPARATORS = ",;\t|"
BOMS = {b"\xef\xbb\xbf": "utf-8", b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How a delimited file is written, where that cannot be found out.

    separator: Between cells; empty: found out.
    skip_lines: Lines before the header.
    short_rows: What rows with fewer cells than the header mean: `quarantine`, or cells are missing at the end
        (`pad_end`) or at the start (`pad_start`).
    """

    separator: str = ""
    skip_lines: int = 0
    short_rows: str = "quarantine"


FOUND_OUT = Layout()


def read_delimited(
    path: Path, *, types: Callable[[list[str]], Mapping[str, pl.DataType]], layout: Layout = FOUND_OUT
) -> Iterator[Block]:
    """The file's rows in blocks.

    Args:
        path: `.csv`, `.tsv`, or the same gzipped; UTF-8, UTF-16 (with a mark or without), or Windows-1252.
        types: Given the header, the types of columns that are read as numbers where a block is sound; others are text.
        layout: How the file is written.

    Raises:
        DropError: the file is not delimited text.
    """
    try:
        with _unpacked(path) as stream:
            yield from _blocks(_plain(stream), path, types, layout)
    except (OSError, EOFError, zlib.error, UnicodeError, csv.Error) as error:
        raise DropError(
            f"{path.name}: {' '.join(str(error).split())}. Is the file whole, and what its ending says?"
        ) from error


@contextmanager
def _unpacked(path: Path) -> Iterator[IO[bytes]]:
    """The file's bytes, in a form that can be sought."""
    with path.open("rb") as file:
        if not path.name.lower().endswith(".gz"):
            yield file
            return
        with gzip.open(file) as packed, tempfile.SpooledTemporaryFile(BLOCK_BYTES) as unpacked:
            shutil.copyfileobj(packed, unpacked, 2**20)
            unpacked.seek(0)
            yield unpacked


def _plain(stream: IO[bytes]) -> IO[bytes]:
    """The same text in UTF-8 or Windows-1252 without a mark, lines ended by line feeds."""
    start = stream.read(SMALL_BYTES)
    mark, code = next(((m, c) for m, c in BOMS.items() if start.startswith(m)), (b"", _unmarked(start)))
    if code != "utf-8":
        start = (start + stream.read()).removeprefix(mark).decode(code).encode()
        stream, mark = io.BytesIO(start), b""
    stream.seek(len(mark))
    if b"\r" in start and b"\n" not in start:
        stream = io.BytesIO(stream.read().replace(b"\r", b"\n"))
    return stream


def _unmarked(start: bytes) -> str:
    """Encoding of text without a mark: in UTF-16 every other byte of Latin letters, digits and separators is zero."""
    second, first = start[1::2].count(0), start[::2].count(0)
    if abs(first - second) <= len(start) / 8:
        return "utf-8"
    return "utf-16-le" if second > first else "utf-16-be"


def _blocks(
    stream: IO[bytes], path: Path, types: Callable[[list[str]], Mapping[str, pl.DataType]], layout: Layout
) -> Iterator[Block]:
    row, names, separator = _header(stream, path, layout)
    start = stream.tell()
    edge = separator.encode() + rb'"\r\n'
    commas = rb"(?:^|[%s])[-+]?\d+,\d+(?:$|[%s])" % (edge, edge)
    form = Form(
        names=names,
        separator=separator,
        types=types(names),
        commas=separator != "," and bool(re.search(commas, stream.read(SMALL_BYTES))),
        short_rows=layout.short_rows,
    )
    large = stream.seek(0, io.SEEK_END) - start > BLOCK_BYTES
    stream.seek(start)
    with ahead(whole_rows(stream, BLOCK_BYTES), worth=large) as blocks:
        for block in blocks:
            row = yield from read_rows(block, form, row)


def _header(stream: IO[bytes], path: Path, layout: Layout) -> tuple[int, list[str], str]:
    """Row number of the header, column names and separator; the stream is left at the row after it."""
    row, declared = 1 + layout.skip_lines, layout.separator
    for _ in range(layout.skip_lines):
        stream.readline()
    while line := stream.readline():
        if found := re.fullmatch(rb'"?sep=([,;\t|])"?\r?\n?', line):
            declared = found[1].decode()
        elif line.strip():
            text = decoded(line.removesuffix(b"\n"))
            separator = declared or max(SEPARATORS, key=lambda s: len(_split(text, s)))
            return row, list(_names(text, separator)), separator
        row += 1
    raise EmptyError(f"{path.name}: is empty. Nothing to load.")


@lru_cache(maxsize=64)  # thousands of small files have the same header
def _names(line: str, separator: str) -> tuple[str, ...]:
    """Column names; blanks and names that came before (whatever their case) get a number, to stay apart."""
    names: list[str] = []
    seen: set[str] = set()
    for position, cell in enumerate(_split(line, separator), start=1):
        name = cell.strip() or f"column {position}"
        while name.casefold() in seen or name in BOOKKEEPING:
            name = f"{name} ({position})"
        seen.add(name.casefold())
        names.append(name)
    return tuple(names)


def _split(line: str, separator: str) -> list[str]:
    return next(csv.reader([line.replace("\r", " ")], delimiter=separator), [])
