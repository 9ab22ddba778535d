"""Delimited text (CSV in its dialects) -> frames of cells, a block at a time; no meaning of a column is known here.

A block that is sound goes through polars with the types asked for. Any block that is not (a cell of another type, a row
of another length) is read again cell by cell as text, so that one bad row costs nothing but time.
"""

import csv
import gzip
import io
import re
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
import polars as pl

from pipelines.errors import DropError
from pipelines.intake.blocks import BOOKKEEPING, ROW, Block, TextRows

BLOCK_BYTES = 128 * 2**20
SMALL_BYTES = 65536  # below it, the csv module is quicker than starting polars' parser
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
        path: `.csv`, `.tsv`, or the same gzipped; UTF-8, UTF-16 with a mark, or Windows-1252.
        types: Given the header, the types of columns that are read as numbers where a block is sound; others are text.
        layout: How the file is written.

    Raises:
        DropError: the file is not delimited text.
    """
    try:
        with _open(path) as stream:
            yield from _blocks(stream, path, types, layout)
    except (OSError, EOFError, zlib.error, UnicodeError, csv.Error) as error:
        raise DropError(
            f"{path.name}: {' '.join(str(error).split())}. Is the file whole, and what its ending says?"
        ) from error


def _open(path: Path) -> gzip.GzipFile | IO[bytes]:
    return gzip.open(path, "rb") if path.name.lower().endswith(".gz") else path.open("rb")


def _blocks(
    stream: gzip.GzipFile | IO[bytes],
    path: Path,
    types: Callable[[list[str]], Mapping[str, pl.DataType]],
    layout: Layout,
) -> Iterator[Block]:
    rest = stream.read(BLOCK_BYTES)
    if rest[:2] in BOMS:
        stream = io.BytesIO((rest[2:] + stream.read()).decode(BOMS[rest[:2]]).encode())
        rest = stream.read(BLOCK_BYTES)
    rest = rest.removeprefix(b"\xef\xbb\xbf")
    if b"\n" not in rest:
        rest = rest.replace(b"\r", b"\n")
    row, names, separator, rest = _header(rest, path, layout)
    numbers = types(names)
    edge = separator.encode() + rb'"\r\n'
    commas = separator != "," and bool(
        re.search(rb"(?:^|[%s])[-+]?\d+,\d+(?:$|[%s])" % (edge, edge), rest[:SMALL_BYTES])
    )
    more = stream.read(BLOCK_BYTES)
    while rest or more:
        block, rest = _cut(rest + more) if more else (rest, b"")
        if block:
            found = _block(
                block, names, separator, row=row, numbers=numbers, commas=commas, short_rows=layout.short_rows
            )
            row += found.height
            yield found
        more = stream.read(BLOCK_BYTES) if more else b""


def _block(
    block: bytes,
    names: list[str],
    separator: str,
    *,
    row: int,
    numbers: Mapping[str, pl.DataType],
    commas: bool,
    short_rows: str,
) -> Block:
    """Rows after row number `row`."""

    def as_it_came() -> TextRows:
        return _cell_by_cell(_decoded(block), names, separator, first_row=row + 1, short_rows=short_rows)

    sound = None if len(block) < SMALL_BYTES else _sound(block, names, separator, numbers, commas)
    if sound is None:
        return Block(cells=as_it_came(), decimal_comma=separator != ",")
    numbered = sound.with_columns((pl.int_range(pl.len(), dtype=pl.Int64) + row + 1).alias(ROW))
    return Block(cells=numbered, decimal_comma=separator != ",", reread=as_it_came)


def _header(data: bytes, path: Path, layout: Layout) -> tuple[int, list[str], str, bytes]:
    """Row number of the header, column names, separator, and the bytes after the header."""
    row, declared = 1 + layout.skip_lines, layout.separator
    for _ in range(layout.skip_lines):
        data = data.partition(b"\n")[2]
    while data:
        line, _, data = data.partition(b"\n")
        if found := re.fullmatch(rb'"?sep=([,;\t|])"?\r?', line):
            declared = found[1].decode()
        elif line.strip():
            text = _decoded(line)
            separator = declared or max(SEPARATORS, key=lambda s: len(_split(text, s)))
            return row, _names(text, separator), separator, data
        row += 1
    raise DropError(f"{path.name}: is empty. Nothing to load.")


def _names(line: str, separator: str) -> list[str]:
    """Column names; blanks and names that came before (whatever their case) get a number, to stay apart."""
    names: list[str] = []
    seen: set[str] = set()
    for position, cell in enumerate(_split(line, separator), start=1):
        name = cell.strip() or f"column {position}"
        while name.casefold() in seen or name in BOOKKEEPING:
            name = f"{name} ({position})"
        seen.add(name.casefold())
        names.append(name)
    return names


def _split(line: str, separator: str) -> list[str]:
    return next(csv.reader([line.replace("\r", " ")], delimiter=separator), [])


def _cut(data: bytes) -> tuple[bytes, bytes]:
    """The whole rows at the start of `data`, and the rest: cut at the last line end that is not inside quotes."""
    end = data.rfind(b"\n") + 1
    quotes = data.count(b'"', 0, end) if b'"' in data else 0
    while end and quotes % 2:
        earlier = data.rfind(b"\n", 0, end - 1) + 1
        quotes -= data.count(b'"', earlier, end)
        end = earlier
    return data[:end], data[end:]


def _decoded(data: bytes) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _sound(
    block: bytes, names: list[str], separator: str, types: Mapping[str, pl.DataType], decimal_comma: bool
) -> pl.DataFrame | None:
    """The block through polars; None where any row or cell is not what it should be."""
    try:
        cells = pl.read_csv(
            block,
            has_header=False,
            separator=separator,
            decimal_comma=decimal_comma,
            schema={name: types.get(name, pl.String()) for name in names},
            raise_if_empty=False,
        )
    except pl.exceptions.PolarsError:
        return None
    inside = 0
    if b'"' in block:
        texts = cells.select(pl.col(pl.String).str.count_matches(separator, literal=True).sum())
        inside = sum(texts.row(0)) if texts.width else 0
    found = int(
        np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == ord(separator))
    )  # bytes.count is 20 times slower
    whole = found == cells.height * (len(names) - 1) + inside
    return cells if whole and not cells.is_empty() else None


def _cell_by_cell(text: str, names: list[str], separator: str, *, first_row: int, short_rows: str) -> TextRows:
    rows: list[list[str]] = []
    lengths: list[int | None] = []
    width = len(names)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return TextRows(names=tuple(names), first_row=first_row, rows=rows, lengths=lengths)
        except csv.Error:  # a cell beyond the csv module's limit: no table has such cells, the row is not whole
            row = [""] * (width + 1)
        padded = len(row) < width and short_rows != "quarantine"
        lengths.append(None if padded or len(row) == width or not any(row) else len(row))
        rows.append(row if len(row) == width else _of_width(row, width, separator, short_rows))


def _of_width(row: list[str], width: int, separator: str, short_rows: str) -> list[str]:
    """A row of another length with empty cells added, or the cells too many put into the last one."""
    if len(row) < width and short_rows == "pad_start":
        return [*[""] * (width - len(row)), *row]
    if len(row) < width:
        return [*row, *[""] * (width - len(row))]
    return [*row[: width - 1], separator.join(row[width - 1 :])]
