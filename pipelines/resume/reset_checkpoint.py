"""What the likelihood of resets knew after each vehicle's first readings, to go on from there; arrays, no file.

A vehicle goes on where all that its first readings' odds were computed from is as it was: numbers tell.
"""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.digests import add_column, digest, mixed, word
from pipelines.handover import Bools, Evidence, Float64s, History, Int64s
from pipelines.history.reading_rows import days
from pipelines.history.reconstruct import learning_history
from pipelines.history.reset_likelihood import SERIES, Inputs, Stretch, likelihood_of
from pipelines.threads import in_threads


@dataclass(frozen=True, kw_only=True)
class ResetCheckpoint:
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
    def empty(cls) -> "ResetCheckpoint":
        """Of no vehicle."""
        none = np.zeros(0, dtype=np.int64)
        return cls(
            vehicles=(), rows=none, digests=none.astype(np.uint64), terms="", series=np.zeros((0, 0), dtype=SERIES),
            ratio=np.zeros(0),
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class ResumePoint:
    """Where each vehicle goes on: the rows [V] that are known, their ratios in all rows [R], the series [C, V]."""

    known: Int64s
    ratio: Float64s
    series: np.ndarray
    digests: np.ndarray  # [V] of the rows that are known


def learning_since(
    kept: ResetCheckpoint, evidence: Evidence, *, until: float
) -> tuple[History, ResetCheckpoint]:  # fmt: skip
    """`learning_history`, to the last bit, going on from an earlier run.

    Args:
        kept: What that run left, or an empty one.
        evidence: What is known now.
        until: Day since 1970 before which the readings lie that the next checkpoint is of.

    Returns:
        The history; and what the next run can go on from.
    """
    left = []

    def likelihood(inputs: Inputs) -> Float64s:
        within = days(evidence.snapshots["read_at"]) < until
        rows = np.diff(np.append(0, np.cumsum(within))[inputs.row_start])
        ratio, checkpoint = _likelihood_since(kept, inputs, rows, within)
        left.append(checkpoint)
        return ratio

    history = learning_history(evidence, likelihood)
    return history, left[0]


def _likelihood_since(
    kept: ResetCheckpoint, inputs: Inputs, rows: Int64s, within: Bools
) -> tuple[Float64s, ResetCheckpoint]:
    """[R] as `reset_likelihood`; and the checkpoint of each vehicle's first `rows` [V], those `within` [R]."""
    start, end = inputs.row_start[:-1], inputs.row_start[1:]
    point = _resume_point(kept, inputs, rows)
    ratio, series, cut = point.ratio, point.series, start + rows
    before, behind = Stretch.between(start + point.known, cut), Stretch.between(cut, end)
    ratio[before.rows] = likelihood_of(before, inputs, series)
    checkpoint = ResetCheckpoint(
        vehicles=inputs.vehicles,
        rows=rows,
        digests=point.digests + _digests(inputs, start + point.known, cut),
        terms=_terms_digest(inputs),
        series=series.copy(),
        ratio=ratio[within],
    )
    ratio[behind.rows] = likelihood_of(behind, inputs, series)
    return ratio, checkpoint


def _resume_point(kept: ResetCheckpoint, inputs: Inputs, rows: Int64s) -> ResumePoint:
    """Where vehicles go on, after at most `rows` [V] readings each; at the first where the past is not as it was."""
    series = inputs.blank_series()
    known, ratio = np.zeros(series.shape[1], dtype=np.int64), np.zeros(int(inputs.row_start[-1]))
    digests = np.zeros(series.shape[1], dtype=np.uint64)
    if kept.terms != _terms_digest(inputs):
        return ResumePoint(known=known, ratio=ratio, series=series, digests=digests)
    place = {vehicle: index for index, vehicle in enumerate(inputs.vehicles)}
    present = np.array([place.get(vehicle, -1) for vehicle in kept.vehicles], dtype=np.int64)
    there = np.flatnonzero((present >= 0) & (kept.rows <= np.append(rows, 0)[present]))
    known[present[there]] = kept.rows[there]
    start = inputs.row_start[:-1]
    digests = _digests(inputs, start, start + known)
    same = digests[present[there]] == kept.digests[there]
    changed, there = present[there[~same]], there[same]
    known[changed], digests[changed] = 0, 0
    series[:, present[there]] = kept.series[:, there]
    _fill(ratio, start[present[there]], kept.ratio, (np.cumsum(kept.rows) - kept.rows)[there], kept.rows[there])
    return ResumePoint(known=known, ratio=ratio, series=series, digests=digests)


def _terms_digest(inputs: Inputs) -> str:
    """Of what the catalogue says of the corrections that are informative."""
    return digest(*(repr(row).encode() for row in inputs.informative.iter_rows()))


def _digests(inputs: Inputs, first: Int64s, last: Int64s) -> np.ndarray:
    """[V] of each vehicle's rows from `first` to `last`; those of two stretches add up to the whole's."""
    start = inputs.row_start[:-1]
    total = np.zeros(len(start), dtype=np.uint64)
    scatter = np.array([word(cell.tobytes()) for cell in np.array(inputs.sigma).T], dtype=np.uint64)
    columns = (
        scatter[inputs.cell] if len(scatter) else inputs.cell, inputs.hours, inputs.begun.astype(np.int64), inputs.most
    )  # fmt: skip
    for place, column in enumerate(columns):
        add_column(column, place, start, first, last, total)

    def of_one(place: int) -> np.ndarray:
        of_values = np.zeros(len(start), dtype=np.uint64)
        _add_values(inputs.values[place].view(np.uint32), np.uint64(place), start, first, last, of_values)
        return of_values

    for of_values in in_threads(of_one, range(len(inputs.values))):
        total += of_values
    return total


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
