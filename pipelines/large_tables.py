"""Tables of a fleet that one process should not hold: rows of its parts in files, read in the vehicles' order."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import polars as pl

SLICE_ROWS = 250_000  # of the rows that are in memory at once, some 100 MB of the widest table; judgement
GROUP_ROWS = 8_192  # of a row group, the unit that a slice can skip: some 100 vehicles of the longest table; for speed


@dataclass(frozen=True)
class LargeTable:
    """Rows of vehicles, each vehicle in one of the files.

    files: Parquet with the same columns, each in the order of `vehicle_id`, which no row lacks.
    begins: The vehicle that each slice begins with, ascending; the first is "".
    height: How many rows there are.
    """

    files: tuple[Path, ...]
    begins: tuple[str, ...]
    height: int

    def select(self, *columns: str) -> pl.DataFrame:
        """Some columns of all rows, or all."""
        return pl.concat(list(self.in_slices(*columns)))

    def in_slices(self, *columns: str) -> Iterator[pl.DataFrame]:
        """The rows one slice of vehicles after the other."""
        for begin, end in pairwise((*self.begins, None)):
            within = pl.col("vehicle_id") >= begin
            if end is not None:
                within &= pl.col("vehicle_id") < end
            rows = pl.concat([pl.scan_parquet(file).filter(within) for file in self.files])
            in_order = rows.select(*columns) if columns else rows
            yield in_order.collect().sort("vehicle_id", maintain_order=True)


Table = pl.DataFrame | LargeTable


def select(table: Table, *columns: str) -> pl.DataFrame:
    """Some columns of a table, `vehicle_id` among them, or all."""
    if isinstance(table, LargeTable):
        return table.select(*columns)
    return table.select(columns) if columns else table


def empty(table: Table) -> pl.DataFrame:
    """The columns of a table, without a row."""
    return pl.scan_parquet(table.files[0]).head(0).collect() if isinstance(table, LargeTable) else table.clear()


def in_slices(table: Table) -> Iterable[pl.DataFrame]:
    """The rows of a table in pieces, of which there is one at least."""
    return table.in_slices() if isinstance(table, LargeTable) else [table]


def write_rows(frame: pl.DataFrame, file: Path) -> None:
    """Write a part's rows as a file of a large table.

    Raises:
        OSError: the disk is full, or not to be written to.
    """
    frame.sort("vehicle_id", maintain_order=True).write_parquet(file, compression="lz4", row_group_size=GROUP_ROWS)


def begins_of(vehicle_ids: Sequence[str], rows: int) -> tuple[str, ...]:
    """Where slices begin, so that none holds many more rows than SLICE_ROWS.

    Args:
        vehicle_ids: Of all vehicles, in their order.
        rows: Of the table.
    """
    slices = max(1, min(-(-rows // SLICE_ROWS), len(vehicle_ids)))
    return ("", *(vehicle_ids[len(vehicle_ids) * place // slices] for place in range(1, slices)))
