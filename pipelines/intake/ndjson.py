"""Lines of JSON objects (NDJSON) -> frames of text cells; a line that is no such object costs itself alone."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import polars as pl

from pipelines.catalogue.names import name_refusal
from pipelines.intake.blocks import BAD_NAMES, BOOKKEEPING, CELLS, CUT_OFF, NO_OBJECT, ROW, TOO_LONG
from pipelines.intake.casting import unmistakable
from pipelines.intake.limits import Limits

BLOCK_ROWS = 400_000
BLOCK_BYTES = 64 * 2**20
MOST_DEEP = 5  # objects inside each other whose cells are read; judgement
MARK = b"\xef\xbb\xbf"  # of UTF-8, before the first line


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line: its cells, or why it is not whole, and then the line itself."""

    number: int
    cells: dict[str, str | None] = field(default_factory=dict)
    broken: int | None = None
    line: str = ""


def read_ndjson(path: Path, limits: Limits, *, nested: bool = False) -> Iterator[pl.DataFrame]:
    """The file's rows as text cells, each with the number of its line; blank lines are left out.

    Names that differ by case alone are one column, spelt as it came first.

    Args:
        path: The file.
        limits: The most that it may hold.
        nested: Whether what stands in objects inside a row are cells of it, too, called after the way to them.

    Raises:
        ValueError: no line is a JSON object with names.
        DropError: the file holds more rows than it may.
    """
    spelt = {"": "", **dict.fromkeys(BOOKKEEPING, "")}  # spelling by name; those of ours are left out
    with path.open("rb") as stream:
        rows: list[Row] = []
        size, number, found = 0, 0, False
        for number, line in enumerate(_lines(stream, limits.line_bytes), start=1):
            if not line.strip():
                continue
            rows.append(_row(number, line, spelt, limits, nested=nested))
            size += len(line)
            if len(rows) == BLOCK_ROWS or size > BLOCK_BYTES:
                yield _frame(rows)
                rows, size, found = [], 0, True
                limits.refuse_beyond("rows", number, file=path.name)
    if rows or not found:
        yield _frame(rows)


def _lines(stream: IO[bytes], longest: int) -> Iterator[bytes]:
    """Lines of the stream; of one that is longer, no more than one byte beyond."""
    if stream.read(len(MARK)) != MARK:
        stream.seek(0)
    while line := stream.readline(longest + 1):
        yield line
        while len(line) > longest and not line.endswith(b"\n"):
            line = stream.readline(longest + 1)


def _row(number: int, line: bytes, spelt: dict[str, str], limits: Limits, *, nested: bool) -> Row:
    cells = TOO_LONG if len(line) > limits.line_bytes else _cells(line, spelt, limits, nested=nested)
    if isinstance(cells, int):
        text = line[: limits.cell_chars].decode("utf-8", errors="replace").strip()
        return Row(number=number, broken=cells, line=text)
    return Row(number=number, cells=cells)


def _cells(
    line: bytes, spelt: dict[str, str], limits: Limits, *, nested: bool
) -> dict[str, str | None] | int:  # fmt: skip
    """The cells of a line by column; or why it has none."""
    try:
        row = json.loads(line)
    except (ValueError, RecursionError):
        return NO_OBJECT if line.endswith(b"\n") else CUT_OFF
    if not isinstance(row, dict):
        return NO_OBJECT
    row = _flat(row) if nested else row
    new = {name.casefold(): name for name in row if name.casefold() not in spelt}
    unfit = any(name_refusal(name, longest=limits.name_chars) for name in new.values())
    if unfit or len(spelt) + len(new) > limits.columns + len(BOOKKEEPING) + 1:
        return BAD_NAMES
    spelt.update(new)
    cells = {spelt[name.casefold()]: _cell(value) for name, value in row.items()}
    cells.pop("", None)
    return cells


def _flat(row: dict[str, object]) -> dict[str, object]:
    """A row's cells with those of the objects in it, called after the way to them: `engine.rpm`."""
    flat: dict[str, object] = {}
    todo = list(row.items())
    for _ in range(MOST_DEEP):
        inside = [(f"{path}.{name}", each) for path, value in todo if isinstance(value, dict) for name, each in (
            value.items()
        )]  # fmt: skip
        flat |= {path: value for path, value in todo if not isinstance(value, dict)}
        todo = inside
    return flat | dict(todo)


def _cell(value: object) -> str | None:
    if value is None or isinstance(value, str):
        return value if value is None else value.encode("utf-8", errors="replace").decode()
    return unmistakable(json.dumps(value)) if isinstance(value, float) else json.dumps(value)


def _frame(rows: list[Row]) -> pl.DataFrame:
    """A column per name; the text of a line that is not whole stands in the first one, so that it is kept."""
    names = list(dict.fromkeys(name for row in rows for name in row.cells))
    if not names:
        raise ValueError("no line is a JSON object with names")
    columns = [pl.Series(name, [row.cells.get(name) for row in rows], dtype=pl.String) for name in names[1:]]
    first = [row.cells.get(names[0]) if row.broken is None else row.line for row in rows]
    return pl.DataFrame([
        pl.Series(names[0], first, dtype=pl.String), *columns,
        pl.Series(CELLS, [row.broken for row in rows], dtype=pl.Int64),
        pl.Series(ROW, [row.number for row in rows], dtype=pl.Int64),
    ])  # fmt: skip
