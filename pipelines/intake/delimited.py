"""Delimited text (CSV in its dialects) -> frames of cells, a block at a time; no meaning of a column is known here.

A block that is sound goes through polars with the types asked for. Any block that is not (a cell of another type, a row
of another length) is read again cell by cell as text, so that one bad row costs nothing but time.
"""

import csv
import gzip
import io
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import polars as pl

from pipelines.errors import DropError

BLOCK_BYTES = 64 * 2**20
SMALL_BYTES = 65536  # below it, the csv module is quicker than starting polars' parser
SEPARATORS = ",;\t|"
BOMS = {b"\xef\xbb\xbf": "utf-8", b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
ROW = "row_number"
CELLS = "cells_found"  # how many cells a row of the wrong length has; null: as many as the header
LOAD = "load_id"  # which file of a load a row is from
BOOKKEEPING = (ROW, CELLS, LOAD)


@dataclass(frozen=True, kw_only=True)
class Block:
    """Rows of a text file: `cells` has one column per header name, and `row_number` (the header is row 1).

    decimal_comma: cells are not separated by commas, so a comma inside a number can only be its decimal sign.
    reread: Gives the same rows with every cell as it came, where `cells` holds parsed numbers; None: they are as they came.
    """

    cells: pl.DataFrame
    decimal_comma: bool = False
    reread: Callable[[], pl.DataFrame] | None = None


def read_delimited(path: Path, *, types: Callable[[list[str]], Mapping[str, pl.DataType]]) -> Iterator[Block]:
    """The file's rows in blocks.

    Args:
        path: `.csv`, `.tsv`, or the same gzipped; UTF-8, UTF-16 with a mark, or Windows-1252.
        types: Given the header, the types of columns that are read as numbers where a block is sound; others are text.

    Raises:
        DropError: the file is not delimited text.
    """
    try:
        with _open(path) as stream:
            yield from _blocks(stream, path, types)
    except (OSError, EOFError, gzip.BadGzipFile, UnicodeError) as error:
        raise DropError(
            f"{path.name}: {' '.join(str(error).split())}. Is the file whole, and what its ending says?"
        ) from error


def _open(path: Path) -> IO[bytes]:
    if path.name.lower().endswith(".gz"):
        return gzip.open(path, "rb")
    return path.open("rb")


def _blocks(stream: IO[bytes], path: Path, types: Callable[[list[str]], Mapping[str, pl.DataType]]) -> Iterator[Block]:
    rest = stream.read(BLOCK_BYTES)
    if rest[:2] in BOMS:
        stream = io.BytesIO((rest[2:] + stream.read()).decode(BOMS[rest[:2]]).encode())
        rest = stream.read(BLOCK_BYTES)
    rest = rest.removeprefix(b"\xef\xbb\xbf")
    if b"\n" not in rest:
        rest = rest.replace(b"\r", b"\n")
    row, names, separator, rest = _header(rest, path)
    numbers = types(names)
    edge = separator.encode() + rb'"\r\n'
    commas = separator != "," and bool(
        re.search(rb"(?:^|[%s])[-+]?\d+,\d+(?:$|[%s])" % (edge, edge), rest[:SMALL_BYTES])
    )
    more = stream.read(BLOCK_BYTES)
    while rest or more:
        block, rest = _cut(rest + more) if more else (rest, b"")
        if block:
            found = _block(block, names, separator, row=row, numbers=numbers, commas=commas)
            row += found.cells.height
            yield found
        more = stream.read(BLOCK_BYTES) if more else b""


def _block(
    block: bytes, names: list[str], separator: str, *, row: int, numbers: Mapping[str, pl.DataType], commas: bool
) -> Block:
    """Rows after row number `row`."""
    number = (pl.int_range(pl.len(), dtype=pl.Int64) + row + 1).alias(ROW)

    def as_it_came() -> pl.DataFrame:
        return _cell_by_cell(_decoded(block), names, separator).with_columns(number)

    sound = None if len(block) < SMALL_BYTES else _sound(block, names, separator, numbers, commas)
    if sound is None:
        return Block(cells=as_it_came(), decimal_comma=separator != ",")
    return Block(cells=sound.with_columns(number), decimal_comma=separator != ",", reread=as_it_came)


def _header(data: bytes, path: Path) -> tuple[int, list[str], str, bytes]:
    """Row number of the header, column names, separator, and the bytes after the header."""
    before = 1
    while data:
        line, _, rest = data.partition(b"\n")
        if declared := re.fullmatch(rb'"?sep=(.)"?\r?', line):
            data, before = rest, before + 1
            text = _decoded(data.partition(b"\n")[0])
            return (
                before,
                _names(text, declared[1].decode("cp1252")),
                declared[1].decode("cp1252"),
                data.partition(b"\n")[2],
            )
        if line.strip():
            text = _decoded(line)
            separator = max(SEPARATORS, key=lambda s: len(next(csv.reader([text], delimiter=s), [])))
            return before, _names(text, separator), separator, rest
        data, before = rest, before + 1
    raise DropError(f"{path.name}: is empty. Nothing to load.")


def _names(line: str, separator: str) -> list[str]:
    """Column names; blanks and names that came before (whatever their case) get a number, to stay apart."""
    names: list[str] = []
    seen: set[str] = set()
    for position, cell in enumerate(next(csv.reader([line.strip("\r")], delimiter=separator), []), start=1):
        name = cell.strip() or f"column {position}"
        while name.casefold() in seen or name in BOOKKEEPING:
            name = f"{name} ({position})"
        seen.add(name.casefold())
        names.append(name)
    return names


def _cut(data: bytes) -> tuple[bytes, bytes]:
    """The whole rows at the start of `data`, and the rest: cut at the last line end that is not inside quotes."""
    end = data.rfind(b"\n") + 1
    quotes = data.count(b'"', 0, end)
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
    whole = block.count(separator.encode()) == cells.height * (len(names) - 1) + inside
    return cells if whole and not cells.is_empty() else None


def _cell_by_cell(text: str, names: list[str], separator: str) -> pl.DataFrame:
    rows: list[list[str]] = []
    lengths: list[int | None] = []
    width = len(names)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            break
        except csv.Error:  # a cell beyond the csv module's limit: no table has such cells, the row is not whole
            row = ["" for _ in range(width + 1)]
        if len(row) == width:
            lengths.append(None)
        else:
            lengths.append(len(row) if any(row) else None)
            row = (
                [*row, *[""] * (width - len(row))][:width]
                if len(row) < width
                else [*row[: width - 1], separator.join(row[width - 1 :])]
            )
        rows.append(row)
    columns = zip(*rows, strict=True) if rows else [[] for _ in names]
    frame = pl.DataFrame([pl.Series(n, list(c), dtype=pl.String) for n, c in zip(names, columns, strict=True)])
    return frame.with_columns(pl.Series(CELLS, lengths, dtype=pl.Int64))
