"""A file of entries (CSV or NDJSON, told by what is in it) -> entries by row number, and rows that are none."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import polars as pl

from pipelines.catalogue.tables import entry_columns
from pipelines.entries.entry import Entry, Refusal
from pipelines.errors import DropError
from pipelines.intake.blocks import BOOKKEEPING, CELLS, ROW, frame_of_blocks
from pipelines.intake.casting import Reading, cast, is_empty
from pipelines.intake.reading import read_blocks

GIVEN = ("entry_id", "entered_at")  # by Leeway, never by a file
MOST_BYTES = 64 * 2**20  # of a file of entries: each is typed by somebody


@dataclass(frozen=True, kw_only=True)
class EntryRows:
    """What a file of entries holds.

    Attributes:
        rows: Row number, and the entry or why the row is none, in the file's order.
        extra: Names of columns that are kept out.
    """

    rows: list[tuple[int, Entry | Refusal]]
    extra: tuple[str, ...]


def read_entry_rows(source: IO[bytes], name: str, *, who: str) -> EntryRows:
    """The entries of a file.

    Args:
        source: Its bytes.
        name: What messages call it.
        who: Key of the person where a row names none.

    Raises:
        DropError: nothing in it can be read as entries.
    """
    with _sniffed(source, name) as (path, file_format):
        try:
            frames = [frame_of_blocks([(block.cells, 0)]) for block in read_blocks(path, file_format)]
        except DropError as error:
            raise DropError(str(error).replace(path.name, name)) from error
    found = [_entries(frame, who) for frame in frames]
    extra = dict.fromkeys(column for frame in frames for column in frame.columns if _stored(column) is None)
    rows = [row for part in found for row in part]
    if frames and not any(_stored(column) in ("kind", "withdraws") for frame in frames for column in frame.columns):
        columns = ", ".join(column for column in extra if column not in BOOKKEEPING)[:120]
        raise DropError(f"{name}: lacks the column kind, which entries must have (found: {columns}).")
    if not rows:
        raise DropError(f"{name}: holds no row. Nothing to enter.")
    return EntryRows(rows=rows, extra=tuple(column for column in extra if column not in BOOKKEEPING))


@contextmanager
def _sniffed(source: IO[bytes], name: str) -> Iterator[tuple[Path, str]]:
    """The bytes in a file of this process, which can be sought, and their format."""
    with tempfile.NamedTemporaryFile(prefix="leeway-entries-") as file:
        shutil.copyfileobj(source, file, 2**20)
        if file.tell() > MOST_BYTES:
            raise DropError(f"{name}: has {file.tell() / 1e6:.0f} MB, {MOST_BYTES / 1e6:.0f} are taken. Cut it up.")
        file.flush()
        file.seek(0)
        start = file.read(4096).removeprefix(b"\xef\xbb\xbf").lstrip()
        yield Path(file.name), "ndjson" if start.startswith(b"{") else "csv"


def _stored(column: str) -> str | None:
    """The column of the record that a column of the file is; None: none."""
    plain = "_".join(column.strip().casefold().split())
    return plain if plain in entry_columns().schema and plain not in GIVEN else None


def _entries(cells: pl.DataFrame, who: str) -> Iterator[tuple[int, Entry | Refusal]]:
    typed = {
        stored: cast(cells[column], "date" if stored == "until" else "text", Reading())
        for column in cells.columns
        if (stored := _stored(column)) is not None
    }
    came = next((cells[column] for column in cells.columns if _stored(column) == "until"), None)
    no_date = [False] * cells.height if came is None else (typed["until"].is_null() & ~is_empty(came, "date")).to_list()
    width = len(cells.columns) - len(BOOKKEEPING)
    for place, (number, length) in enumerate(cells.select(ROW, CELLS).iter_rows()):
        values = {name: column[place] for name, column in typed.items()}
        if length is not None:
            yield number, Refusal(column="", reason=f"does not have {width} cells as the header does, or is no object")
        elif no_date[place]:
            yield number, Refusal(column="until", reason="is not a date (2031-02-14)")
        elif any(values.values()):
            yield number, Entry(**{"kind": None, **values, "who": values.get("who") or who})
