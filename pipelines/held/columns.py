"""Columns of a large fleet's readings, one file each, so that only those which are looked at are in memory.

Judging goes column by column through all vehicles. Readings come a few thousand vehicles at a time; each of their
columns is put at the end of its file, and when all came, each file is put in the order of all readings. Words are kept
as the place of each among those that came.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.handover import Int64s


@dataclass(frozen=True, kw_only=True)
class ColumnFiles:
    """R values of each column, NaN where it was not read.

    Attributes:
        folder: Where the files lie; whoever made it takes it away.
        dtypes: Column -> of what is in its file.
        words: Column of words -> those that there are.
        read: Column -> how many values were read.
        changed: Column -> rows, and what stands there now.
        order: [R] row of the files that each row is; None: the same.
    """

    folder: Path
    dtypes: Mapping[str, np.dtype]
    read: Mapping[str, int]
    words: Mapping[str, pl.Series] = field(default_factory=dict)
    changed: Mapping[str, tuple[Int64s, pl.Series]] = field(default_factory=dict)
    order: Int64s | None = None

    def column(self, name: str) -> pl.Series:
        """[R] a column; null, of numbers NaN: not read."""
        values = self.values(name)
        return self.words[name].gather(values) if name in self.words else pl.Series(name, values)

    def values(self, name: str) -> np.ndarray:
        """[R] a column of numbers, as precise as it came; NaN: not read."""
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
    words: dict[str, dict[str | None, int]] = field(default_factory=dict)
    rest: list[pl.DataFrame] = field(default_factory=list)

    def add(self, frame: pl.DataFrame, kept: Sequence[str]) -> None:
        """Some readings more: numbers and words to the files, the columns `kept` in memory; others are let go."""
        before, rows = sum(part.height for part in self.rest), frame.height
        came = {name: self._values(frame[name]) for name in frame.columns if name not in kept and _is_kept(frame[name])}
        for name in [name for name in came if name not in self.dtypes]:
            self.dtypes[name], self.read[name] = came[name].dtype, 0
            self._write(name, self._unread(name, before))
        for name, dtype in self.dtypes.items():
            values = came[name] if name in came else self._unread(name, rows)
            self.read[name] += rows - int(np.isnan(values).sum())
            self._write(name, values.astype(dtype, copy=False))
        self.rest.append(frame.select(kept))

    def _values(self, column: pl.Series) -> np.ndarray:
        """[n] numbers, NaN where there is none; of words which of them."""
        if column.dtype != pl.String:
            return (column if column.dtype.is_float() else column.cast(pl.Float64)).fill_null(float("nan")).to_numpy()
        known = self.words.setdefault(column.name, {})
        for word in column.unique(maintain_order=True):
            known.setdefault(word, len(known))
        return column.replace_strict(known, return_dtype=pl.Int32).to_numpy()

    def _unread(self, name: str, rows: int) -> np.ndarray:
        if name in self.words:
            return np.full(rows, self.words[name].setdefault(None, len(self.words[name])), dtype=np.int32)
        return np.full(rows, np.nan, self.dtypes[name])

    def done(self, key: Sequence[str]) -> tuple[pl.DataFrame, ColumnFiles]:
        """What is in memory, sorted by the key, and the files in the same order."""
        rest = pl.concat(self.rest)
        self.rest.clear()
        order = rest.select(pl.arg_sort_by(key)).to_series().to_numpy()
        for name, dtype in self.dtypes.items():
            path = self.folder / _file(list(self.dtypes).index(name))
            np.fromfile(path, dtype=dtype)[order].tofile(path)
        words = {name: pl.Series(name, list(known), dtype=pl.String) for name, known in self.words.items()}
        return rest[order], ColumnFiles(folder=self.folder, dtypes=self.dtypes, read=self.read, words=words)

    def _write(self, name: str, values: np.ndarray) -> None:
        with (self.folder / _file(list(self.dtypes).index(name))).open("ab") as file:
            values.tofile(file)


def _is_kept(column: pl.Series) -> bool:
    return column.dtype.is_numeric() or column.dtype == pl.String


def _file(place: int) -> str:
    return f"{place}.column"
