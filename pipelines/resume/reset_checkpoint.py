"""What the trace of resets knew after each vehicle's first readings, to go on from there; arrays, no file.

A vehicle goes on where all that its first readings' odds were computed from is as it was: numbers tell.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np
import polars as pl

from pipelines.digests import add_column, digest, mixed, word
from pipelines.handover import Bools, Float32s, Float64s, Int64s
from pipelines.threads import in_threads

# One series after a reading: the level, the level that is called home, readings since it began, hours since the last.
SERIES = np.dtype([(name, "f8") for name in ("level", "home", "read", "run")])


@dataclass(frozen=True, kw_only=True)
class Trace:
    """Of V vehicles and C corrections, after `rows` [V] readings of each.

    digests: [V] of what it rests on. terms: digest of the catalogue's. series: [C, V]. ratio: log-likelihood ratios of
    these readings, one vehicle's after another's.
    """

    vehicles: tuple[str, ...]
    rows: Int64s
    digests: np.ndarray
    terms: str
    series: np.ndarray
    ratio: Float64s

    @classmethod
    def empty(cls) -> "Trace":
        """Of no vehicle."""
        none = np.zeros(0, dtype=np.int64)
        return cls(
            vehicles=(), rows=none, digests=none.astype(np.uint64), terms="", series=np.zeros((0, 0), dtype=SERIES),
            ratio=np.zeros(0),
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Ground:
    """What the odds of all readings are computed from.

    vehicles: V. row_start: [V + 1]. columns: some of [R], 8 bytes each. cell: [R]. values: [R] of each correction.
    sigma: [cells] of each correction. terms: digest of what the catalogue says of them.
    """

    vehicles: tuple[str, ...]
    row_start: Int64s
    columns: tuple[np.ndarray, ...]
    cell: Int64s
    values: Sequence[Float32s]
    sigma: Sequence[Float64s]
    terms: str

    def digests(self, first: Int64s, last: Int64s) -> np.ndarray:
        """[V] of each vehicle's rows from `first` to `last`; those of two stretches add up to the whole's."""
        start = self.row_start[:-1]
        total = np.zeros(len(start), dtype=np.uint64)
        scatter = np.array([word(cell.tobytes()) for cell in np.array(self.sigma).T], dtype=np.uint64)
        for place, column in enumerate((scatter[self.cell] if len(scatter) else self.cell, *self.columns)):
            add_column(column, place, start, first, last, total)

        def of_one(place: int) -> np.ndarray:
            own = np.zeros(len(start), dtype=np.uint64)
            _add_values(self.values[place].view(np.uint32), np.uint64(place), start, first, last, own)
            return own

        for own in in_threads(of_one, range(len(self.values))):
            total += own
        return total


def terms_digest(speaking: pl.DataFrame) -> str:
    """Of what the catalogue says of the corrections that speak."""
    return digest(*(repr(row).encode() for row in speaking.iter_rows()))


@dataclass(frozen=True, kw_only=True)
class Onward:
    """Where each vehicle goes on: the rows [V] that are known, their ratios in all rows [R], the series [C, V]."""

    known: Int64s
    ratio: Float64s
    series: np.ndarray
    digests: np.ndarray  # [V] of the rows that are known


def onward(ground: Ground, kept: Trace, rows: Int64s) -> Onward:
    """Where vehicles go on, after at most `rows` [V] readings each; at the first where the past is not as it was."""
    shape = (len(ground.values), len(ground.vehicles))
    series = np.zeros(shape, dtype=SERIES)
    series["level"] = series["home"] = np.nan
    known, ratio = np.zeros(shape[1], dtype=np.int64), np.zeros(int(ground.row_start[-1]))
    digests = np.zeros(shape[1], dtype=np.uint64)
    if kept.terms != ground.terms:
        return Onward(known=known, ratio=ratio, series=series, digests=digests)
    place = {vehicle: index for index, vehicle in enumerate(ground.vehicles)}
    mine = np.array([place.get(vehicle, -1) for vehicle in kept.vehicles], dtype=np.int64)
    there = np.flatnonzero((mine >= 0) & (kept.rows <= np.append(rows, 0)[mine]))
    known[mine[there]] = kept.rows[there]
    start = ground.row_start[:-1]
    digests = ground.digests(start, start + known)
    same = digests[mine[there]] == kept.digests[there]
    changed, there = mine[there[~same]], there[same]
    known[changed], digests[changed] = 0, 0
    series[:, mine[there]] = kept.series[:, there]
    _fill(ratio, start[mine[there]], kept.ratio, (np.cumsum(kept.rows) - kept.rows)[there], kept.rows[there])
    return Onward(known=known, ratio=ratio, series=series, digests=digests)


@dataclass(frozen=True, kw_only=True)
class Unknown:
    """Rows that are not known. rows: their numbers. row_start [V + 1], and cut [V] of the next trace, among them."""

    rows: Int64s | slice
    row_start: Int64s
    cut: Int64s

    @classmethod
    def behind(cls, known: Int64s, row_start: Int64s, cut: Int64s) -> "Unknown":
        """Behind the first `known` [V] of each vehicle; `cut` [V] of its rows are in the next trace."""
        begin = row_start[:-1] + known
        mine = np.append(0, np.cumsum(row_start[1:] - begin))
        rows: Int64s | slice = slice(None)
        if known.any():
            rows = np.arange(mine[-1]) + np.repeat(begin - mine[:-1], np.diff(mine))
        return cls(rows=rows, row_start=mine, cut=mine[:-1] + cut - known)

    def part(self, values: Float32s, rows: slice) -> Float32s:
        """Some of these rows' values, of [R]."""
        part: Float32s = values[rows if isinstance(self.rows, slice) else self.rows[rows]]
        return part


def trace_after(ground: Ground, begun: Onward, within: Bools, cut: Int64s, series: np.ndarray) -> Trace:
    """The trace of each vehicle's first `cut` [V] rows, `within` [R], after which its series are these [C, V]."""
    start = ground.row_start[:-1]
    return Trace(
        vehicles=ground.vehicles,
        rows=cut,
        digests=begun.digests + ground.digests(start + begun.known, start + cut),
        terms=ground.terms,
        series=series,
        ratio=begun.ratio[within],
    )


@numba.njit(cache=True, nogil=True)
def _fill(out, at, values, begin, count):  # type: ignore[no-untyped-def]
    """Copy stretches of values to where they belong."""
    for i in range(len(at)):
        out[at[i] : at[i] + count[i]] = values[begin[i] : begin[i] + count[i]]


@numba.njit(cache=True, nogil=True)
def _add_values(words, column, start, first, last, total):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    for v in range(len(first)):
        added = np.uint64(0)
        for r in range(first[v], last[v]):
            place = (np.uint64(r - start[v]) << np.uint64(20)) | (column + np.uint64(64))
            added += mixed(np.uint64(words[r]), place)
        total[v] += added
