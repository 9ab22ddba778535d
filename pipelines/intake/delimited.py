"""Delimited text (CSV in its dialects) -> frames of cells, a block at a time; no meaning of a column is known here."""

import codecs
import csv
import gzip
import io
import re
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
from pipelines.intake.blocks import Block, distinct_names
from pipelines.intake.delimited_rows import SMALL_BYTES, Form, decoded, read_rows, whole_rows
from pipelines.intake.limits import Limits
from pipelines.threads import ahead

BLOCK_BYTES = 64 * 2**20
PIECE_BYTES = 2**20  # that are unpacked or decoded at once
SEPARATORS = ",;\t|"
MOST_LOOKED_AT = 100  # rows, for whether they end with a separator
BOMS = {b"\xef\xbb\xbf": "utf-8", b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How a delimited file is written, where that cannot be found out.

    separator: Between cells; empty: found out.
    skip_lines: Lines before the header.
    short_rows: What rows with fewer cells than the header mean: `quarantine`, or cells are missing at the end
        (`pad_end`) or at the start (`pad_start`).
    glued: Of a sheet, whether the unit that a number is shown with is written after it.
    """

    separator: str = ""
    skip_lines: int = 0
    short_rows: str = "quarantine"
    glued: bool = False


FOUND_OUT = Layout()


def read_delimited(
    path: Path,
    *,
    types: Callable[[list[str]], Mapping[str, pl.DataType]],
    layout: Layout = FOUND_OUT,
    limits: Limits,
) -> Iterator[Block]:
    """The file's rows in blocks.

    Args:
        path: `.csv`, `.tsv`, or the same gzipped; UTF-8, UTF-16 (with a mark or without), or Windows-1252.
        types: Given the header, the types of columns that are read as numbers where a block is sound; others are text.
        layout: How the file is written.
        limits: The most that it may hold.

    Raises:
        DropError: the file is not delimited text, is cut off, or holds more than it may.
    """
    try:
        with _unpacked(path, limits) as packed, _plain(packed) as stream:
            yield from _blocks(stream, path, types, layout, limits)
    except EOFError as error:
        raise DropError(f"{path.name}: is truncated (its packed data ends too early). Copy it anew.") from error
    except (OSError, zlib.error, UnicodeError, csv.Error) as error:
        raise DropError(
            f"{path.name}: {' '.join(str(error).split())}. Is the file whole, and what its ending says?"
        ) from error


@contextmanager
def _unpacked(path: Path, limits: Limits) -> Iterator[IO[bytes]]:
    """The file's bytes, in a form that can be sought; unpacking stops at once where they are more than they may be."""
    with path.open("rb") as file:
        if not path.name.lower().endswith(".gz"):
            yield file
            return
        packed_bytes, size = path.stat().st_size, 0
        with gzip.open(file) as packed, tempfile.SpooledTemporaryFile(BLOCK_BYTES) as unpacked:
            while piece := packed.read(PIECE_BYTES):
                size += len(piece)
                limits.refuse_unpacked(size, packed=packed_bytes, file=path.name, whole=False)
                unpacked.write(piece)
            unpacked.seek(0)
            yield unpacked


@contextmanager
def _plain(stream: IO[bytes]) -> Iterator[IO[bytes]]:
    """The same text in UTF-8 or Windows-1252 without a mark, lines ended by line feeds."""
    start = stream.read(SMALL_BYTES)
    mark, code = next(((m, c) for m, c in BOMS.items() if start.startswith(m)), (b"", _unmarked(start)))
    stream.seek(len(mark))
    sample = start.decode(code, errors="replace").encode() if code != "utf-8" else start
    line_feeds = b"\r" not in sample or b"\n" in sample
    if code == "utf-8" and line_feeds:
        yield stream
        return
    decoder = codecs.getincrementaldecoder(code)(errors="replace") if code != "utf-8" else None
    with tempfile.SpooledTemporaryFile(BLOCK_BYTES) as plain:
        while piece := stream.read(PIECE_BYTES):
            part = decoder.decode(piece).encode() if decoder else piece
            plain.write(part if line_feeds else part.replace(b"\r", b"\n"))
        plain.write(decoder.decode(b"", final=True).encode() if decoder else b"")
        plain.seek(0)
        yield plain


def _unmarked(start: bytes) -> str:
    """Encoding of text without a mark: in UTF-16 every other byte of Latin letters, digits and separators is zero."""
    second, first = start[1::2].count(0), start[::2].count(0)
    if abs(first - second) <= len(start) / 8:
        return "utf-8"
    return "utf-16-le" if second > first else "utf-16-be"


def _blocks(
    stream: IO[bytes],
    path: Path,
    types: Callable[[list[str]], Mapping[str, pl.DataType]],
    layout: Layout,
    limits: Limits,
) -> Iterator[Block]:
    row, names, separator = _header(stream, path, layout, limits)
    limits.refuse_beyond("columns", len(names), file=path.name)
    start = stream.tell()
    edge = separator.encode() + rb'"\r\n'
    commas = rb"(?:^|[%s])[-+]?\d+,\d+(?:$|[%s])" % (edge, edge)
    sample = stream.read(SMALL_BYTES)
    names, ends = _ending(names, sample, separator)
    form = Form(
        names=names,
        separator=separator,
        ends=ends,
        types=types(names),
        commas=separator != "," and bool(re.search(commas, sample)),
        short_rows=layout.short_rows,
        line_bytes=limits.line_bytes,
    )
    large = stream.seek(0, io.SEEK_END) - start > BLOCK_BYTES
    stream.seek(start)
    with ahead(whole_rows(stream, BLOCK_BYTES, form), worth=large) as blocks:
        for block in blocks:
            row = yield from read_rows(block, form, row)
            limits.refuse_beyond("rows", row, file=path.name)


def _header(stream: IO[bytes], path: Path, layout: Layout, limits: Limits) -> tuple[int, list[str], str]:
    """Row number of the header, column names and separator; the stream is left at the row after it."""
    row, declared = 1 + layout.skip_lines, layout.separator
    for _ in range(layout.skip_lines):
        if not stream.readline(limits.line_bytes):
            break
    while line := stream.readline(limits.line_bytes):
        limits.refuse_beyond("line_bytes", len(line) + 1, file=path.name)
        if found := re.fullmatch(rb'"?sep=([,;\t|])"?\r?\n?', line):
            declared = found[1].decode()
        elif line.strip():
            text = decoded(line.removesuffix(b"\n"))
            separator = declared or max(SEPARATORS, key=lambda s: len(_split(text, s)))
            return row, list(_names(text, separator)), separator
        row += 1
    raise EmptyError(f"{path.name}: is empty. Nothing to load.")


def _ending(names: list[str], sample: bytes, separator: str) -> tuple[list[str], bool]:
    """Names without the blank one that a separator at the header's end makes, and whether rows end with one, too."""
    rows = [_split(line, separator) for line in decoded(sample).split("\n")[:MOST_LOOKED_AT] if line.strip()]
    blank = len(names) > 1 and names[-1] == f"column {len(names)}"
    if blank and not any(len(row) >= len(names) and row[-1].strip() for row in rows):
        names = names[:-1]
    wide = [row for row in rows if len(row) == len(names) + 1 and not row[-1].strip()]
    return names, len(wide) > len(rows) / 2


@lru_cache(maxsize=64)  # thousands of small files have the same header
def _names(line: str, separator: str) -> tuple[str, ...]:
    return tuple(distinct_names(_split(line, separator)))


def _split(line: str, separator: str) -> list[str]:
    return next(csv.reader([line.replace("\r", " ")], delimiter=separator), [])
