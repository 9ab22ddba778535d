"""Blocks of rows on their way from a file to the checks: frames, or text rows that become a frame together."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import polars as pl

ROW = "row_number"
CELLS = "cells_found"  # how many cells a row of the wrong length has, or a word of `NOT_WHOLE`; null: it is whole
LOAD = "load_id"  # which file of a load a row is from
BOOKKEEPING = (ROW, CELLS, LOAD)
OPEN_QUOTE, CUT_OFF, NO_OBJECT, BAD_NAMES, TOO_LONG = -1, -2, -3, -4, -5
NOT_WHOLE = {
    OPEN_QUOTE: "a quote that opens in the row is never closed",
    CUT_OFF: "the file ends within the row: is it truncated?",
    NO_OBJECT: "the line is no JSON object",
    BAD_NAMES: "the line has names that cannot be a column's, or too many",
    TOO_LONG: "the line is longer than a line may be",
}


@dataclass(frozen=True, kw_only=True)
class TextRows:
    """Rows of text cells; kept as lists, since a frame per file would cost more than reading thousands of small files.

    names: The header.
    numbers: Row number of each row.
    rows: One list of as many cells as the header has, per row.
    lengths: How many cells the row really had, where it was another number, or why it is not whole.
    """

    names: tuple[str, ...]
    numbers: list[int]
    rows: list[list[str]]
    lengths: list[int | None]


@dataclass(frozen=True, kw_only=True)
class Block:
    """Rows of one file.

    cells: One column per header name, with row_number (the header of a text file or sheet is row 1).
    decimal_comma: cells are not separated by commas, so a comma inside a number can only be its decimal sign.
    reread: Gives rows by their numbers, every cell as it came, where `cells` holds parsed numbers; None: it does not.
    log_values: What values rest on that rows of a log made, as the store keeps it; None: they are no log's.
    """

    cells: pl.DataFrame | TextRows
    decimal_comma: bool = False
    reread: Callable[[Iterable[int]], TextRows] | None = None
    log_values: pl.DataFrame | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the file's columns."""
        if isinstance(self.cells, TextRows):
            return self.cells.names
        return tuple(name for name in self.cells.columns if name not in BOOKKEEPING)

    @property
    def height(self) -> int:
        """How many rows."""
        return len(self.cells.rows) if isinstance(self.cells, TextRows) else self.cells.height

    @property
    def kinds(self) -> tuple[pl.DataType, ...]:
        """Types of the columns; blocks of the same names and types can be stacked."""
        return () if isinstance(self.cells, TextRows) else tuple(self.cells.schema.values())


def text_bytes(cells: pl.DataFrame) -> int:
    """Bytes of all text in the cells, each time it stands there."""
    return sum(int(c.str.len_bytes().sum()) for c in cells.iter_columns() if c.dtype == pl.String)


def distinct_names(header: Iterable[str]) -> list[str]:
    """Column names; blanks, words of ours and names that came before, whatever their case, get a number."""
    names: list[str] = []
    seen: set[str] = set()
    for position, cell in enumerate(header, start=1):
        name = cell.strip() or f"column {position}"
        while name.casefold() in seen or name.casefold() in BOOKKEEPING:
            name = f"{name} ({position})"
        seen.add(name.casefold())
        names.append(name)
    return names


def frame_of_blocks(cells: Sequence[tuple[pl.DataFrame | TextRows, int]]) -> pl.DataFrame:
    """One frame of the cells of several blocks alike, each with its load_id; with all bookkeeping columns."""
    texts = [(part, load_id) for part, load_id in cells if isinstance(part, TextRows)]
    frames = [_numbered(part, load_id) for part, load_id in cells if isinstance(part, pl.DataFrame)]
    if texts:
        frames.append(_frame_of_texts(texts))
    return pl.concat(frames) if len(frames) > 1 else frames[0]


def read_again(blocks: Sequence[tuple[Block, int]], rows: pl.DataFrame) -> list[tuple[TextRows, int]]:
    """Some rows of several blocks, every cell as it came, where the blocks can give that; each with its load_id.

    Args:
        blocks: Each with its load_id.
        rows: row_number and load_id.
    """
    again = []
    for block, load_id in blocks:
        if block.reread is not None and isinstance(block.cells, pl.DataFrame) and block.height:
            first, last = block.cells[ROW][0], block.cells[ROW][-1]
            own = rows.filter(pl.col(LOAD) == load_id, pl.col(ROW).is_between(first, last))[ROW]
            again += [(block.reread(own), load_id)] if len(own) else []
    return again


def _numbered(cells: pl.DataFrame, load_id: int) -> pl.DataFrame:
    if CELLS not in cells.columns:
        cells = cells.with_columns(pl.lit(None, dtype=pl.Int64).alias(CELLS))
    names = [name for name in cells.columns if name not in BOOKKEEPING]
    cells = cells.with_columns(pl.lit(load_id, dtype=pl.Int32).alias(LOAD))
    return pl.DataFrame([cells[name] for name in (*names, *BOOKKEEPING)])  # a name may read as a pattern of names


def _frame_of_texts(texts: Sequence[tuple[TextRows, int]]) -> pl.DataFrame:
    names = texts[0][0].names
    rows = [row for part, _ in texts for row in part.rows]
    numbers = [number for part, _ in texts for number in part.numbers]
    lengths = [length for part, _ in texts for length in part.lengths]
    loads = [load_id for part, load_id in texts for _ in part.rows]
    columns = zip(*rows, strict=True) if rows else [()] * len(names)
    return pl.DataFrame(
        [
            *(pl.Series(name, list(column), dtype=pl.String) for name, column in zip(names, columns, strict=True)),
            pl.Series(ROW, numbers, dtype=pl.Int64),
            pl.Series(CELLS, lengths, dtype=pl.Int64),
            pl.Series(LOAD, loads, dtype=pl.Int32),
        ]
    )
