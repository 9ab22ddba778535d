"""Puts together what the parts of an analysis gave: rows of vehicles go to files as each arrives."""

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from pipelines.analyse import Part
from pipelines.errors import StoreError, one_line
from pipelines.large_tables import LargeTable, Table, begins_of, write_rows

FOLDER = "analysing-parts"  # in the store's, while an analysis goes on


@contextmanager
def room_for_parts(store: Path) -> Iterator[Path]:
    """A folder for the rows of parts, for as long as an analysis takes; cleared of what a killed one left.

    Args:
        store: The store's folder; whoever comes here is the only one who analyses it.
    """
    folder = store / FOLDER
    shutil.rmtree(folder, ignore_errors=True)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@dataclass(kw_only=True)
class Joining:
    """What arrived so far.

    folder: Where rows go; it is made.
    parts: Vehicle ids of each part; of one alone everything stays in memory.
    """

    folder: Path
    parts: Sequence[Sequence[str]]
    _arrived: list[Part] = field(default_factory=list)
    _names: dict[str, None] = field(default_factory=dict)  # of tables, in the order in which they came
    _frames: dict[str, list[pl.DataFrame]] = field(default_factory=dict)
    _files: dict[str, list[Path]] = field(default_factory=dict)
    _rows: dict[str, int] = field(default_factory=dict)

    def take(self, part: Part) -> None:
        """The next part, in their order.

        Raises:
            StoreError: its rows cannot be written.
        """
        for name, frame in part.tables.items():
            if len(self.parts) > 1 and "vehicle_id" in frame.columns:
                self._write(name, frame)
            else:
                self._frames.setdefault(name, []).append(frame)
        self._names |= dict.fromkeys(part.tables)
        self._arrived.append(replace(part, tables={}))

    def _write(self, name: str, frame: pl.DataFrame) -> None:
        files = self._files.setdefault(name, [])
        file = self.folder / name / f"{len(files):05d}.parquet"
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            write_rows(frame, file)
        except OSError as error:
            raise StoreError(
                f"{file.parent}: {one_line(error)}. Nothing was published; free space or permissions?"
            ) from error
        files.append(file)
        self._rows[name] = self._rows.get(name, 0) + frame.height

    def arrived(self) -> list[Part]:
        """The parts, without their tables."""
        return self._arrived

    def tables(self) -> dict[str, Table]:
        """Of all parts together, in the order of the first of them."""
        vehicles = sorted(vehicle_id for part in self.parts for vehicle_id in part)
        found: dict[str, Table] = {}
        for name in self._names:
            if name in self._files:
                begins = begins_of(vehicles, self._rows[name])
                found[name] = LargeTable(tuple(self._files[name]), begins, self._rows[name])
            else:
                found[name] = pl.concat(self._frames[name])
        return found
