"""Columns of a large fleet's readings, one file each, so that only those which are looked at are in memory.

Judging goes column by column through all vehicles. Readings come a few thousand vehicles at a time; what is a number of
theirs is put at the end of its column's file, and when all came, each file is put in the order of all readings.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.handover import Int64s

NUMBERS = (pl.Float32, pl.Float64)


@dataclass(frozen=True, kw_only=True)
class ColumnFiles:
    """R values of each column, NaN where it was not read.

    Attributes:
        folder: Where the files lie; whoever made it takes it away.
        dtypes: Column -> of its values.
        read: Column -> how many values were read.
        changed: Column -> rows, and what stands there now.
        order: [R] row of the files that each row is; None: the same.
    """

    folder: Path
    dtypes: Mapping[str, np.dtype]
    read: Mapping[str, int]
    changed: Mapping[str, tuple[Int64s, pl.Series]] = field(default_factory=dict)
    order: Int64s | None = None

    def values(self, name: str) -> np.ndarray:
        """[R] a column, as precise as it came; NaN: not read."""
        values = np.fromfile(self.folder / _file(list(self.dtypes).index(name)), dtype=self.dtypes[name])
        if name in self.changed:
            rows, now = self.changed[name]
            values[rows] = now.to_numpy()
        return values if self.order is None else values[self.order]

    def at(self, name: str, rows: Int64s) -> np.ndarray:
        """[n] the same at some rows, of which no more is read than lies beside them."""
        if name in self.changed or not len(rows):
            return self.values(name)[rows]
        values = np.memmap(self.folder / _file(list(self.dtypes).index(name)), dtype=self.dtypes[name], mode="r")
        return np.array(values[rows if self.order is None else self.order[rows]])

    def with_changes(self, changed: Mapping[str, tuple[Int64s, pl.Series]], order: Int64s) -> "ColumnFiles":
        """With other values at some rows, and then in another order; once."""
        return replace(self, changed=changed, order=order)


@dataclass(frozen=True, kw_only=True)
class ColumnWriter:
    """Takes readings some vehicles at a time."""

    folder: Path
    dtypes: dict[str, np.dtype] = field(default_factory=dict)
    read: dict[str, int] = field(default_factory=dict)
    rest: list[pl.DataFrame] = field(default_factory=list)

    def add(self, frame: pl.DataFrame, kept: Sequence[str]) -> None:
        """Some readings more: their numbers to the files, the columns `kept` in memory; others are let go."""
        before, rows = sum(part.height for part in self.rest), frame.height
        numbers = {name for name, dtype in frame.schema.items() if dtype in NUMBERS and name not in kept}
        for name in [name for name in frame.columns if name in numbers and name not in self.dtypes]:
            self.dtypes[name] = np.dtype(np.float32 if frame.schema[name] == pl.Float32 else np.float64)
            self.read[name] = 0
            self._write(name, np.full(before, np.nan, self.dtypes[name]))
        for name, dtype in self.dtypes.items():
            values = frame[name].fill_null(float("nan")).to_numpy() if name in numbers else np.full(rows, np.nan)
            self.read[name] += rows - int(np.isnan(values).sum())
            self._write(name, values.astype(dtype, copy=False))
        self.rest.append(frame.select(name for name in kept if name in frame.columns))

    def done(self, key: Sequence[str]) -> tuple[pl.DataFrame, ColumnFiles]:
        """What is in memory, sorted by the key, and the files in the same order."""
        rest = pl.concat(self.rest)
        self.rest.clear()
        order = rest.select(pl.arg_sort_by(key)).to_series().to_numpy()
        for name, dtype in self.dtypes.items():
            path = self.folder / _file(list(self.dtypes).index(name))
            np.fromfile(path, dtype=dtype)[order].tofile(path)
        files = ColumnFiles(folder=self.folder, dtypes=dict(self.dtypes), read=dict(self.read))
        return rest[order], files

    def _write(self, name: str, values: np.ndarray) -> None:
        with (self.folder / _file(list(self.dtypes).index(name))).open("ab") as file:
            values.tofile(file)


def _file(place: int) -> str:
    return f"{place}.column"
