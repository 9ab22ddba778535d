"""What was decided, done to the readings; and what is held, taken out of what the stages see. Frames in and out."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from pipelines.handover import Bools, Float64s, Int64s
from pipelines.held.finding import Finding
from pipelines.held.readings import Readings
from pipelines.held.slips import Slip

KEY = ["vehicle_id", "read_at"]
GRID = ["neutral", "resolution"]


def cells_of(findings: Sequence[Finding], readings: Readings) -> dict[str, Int64s]:
    """Column -> rows where it is held, in order; of whole readings every column."""
    held: dict[str, list[Int64s]] = {}
    every = [column.name for column in readings.measured]
    for finding in findings:
        for name, rows in finding.by_column(every).items():
            held.setdefault(name, []).append(rows)
    return {name: np.unique(np.concatenate(parts)) for name, parts in held.items()}


def with_cells_of(
    held: Mapping[str, Int64s], findings: Sequence[Finding], readings: Readings
) -> dict[str, Int64s]:  # fmt: skip
    """The same with those of some more findings."""
    both = dict(held)
    for name, rows in cells_of(findings, readings).items():
        both[name] = np.union1d(both[name], rows) if name in both else rows
    return both


def whole_readings(findings: Sequence[Finding], rows: int) -> Bools:
    """[R] readings that are held as a whole."""
    held = np.zeros(rows, np.bool_)
    for finding in findings:
        if finding.is_whole:
            held[finding.rows] = True
    return held


def _column_righted(readings: Readings, name: str, findings: Sequence[Finding]) -> pl.Series:
    """A column with the cells of findings in the contract's unit: in double precision, then as precise as it came."""
    which = readings.catalogue.filter(code=name)
    neutral, step = ((which[each][0] if which.height else None) or 0.0 for each in GRID)
    column = readings.column(name)
    for finding in findings:
        rows = finding.cells[name]
        if finding.slip is not None:
            new = pl.Series(name, cells_righted(column.gather(rows), finding.slip, neutral, step))
            column = column.scatter(rows, new.fill_nan(None).cast(column.dtype))
    return column


def cells_righted(came: pl.Series, slip: Slip, neutral: float, step: float) -> Float64s:
    """[n] cells in the contract's unit, as the cells of the file would have given them in double precision.

    Of what is stored in single precision, the file's cell was one of the numbers nearby: the one that lies on a step of
    the correction in the contract's unit, or else the one with the fewest digits.
    """
    if came.dtype != pl.Float32:
        return slip.righted(came.cast(pl.Float64).fill_null(float("nan")).to_numpy())
    written = came.cast(pl.String).cast(pl.Float64).fill_null(float("nan")).to_numpy()
    righted = slip.righted(written)
    if step <= 0:
        return righted
    stored = came.fill_null(float("nan")).to_numpy()
    sides = (np.nextafter(stored, np.float32(side)).astype(np.float64) for side in (-np.inf, np.inf))
    one, two = (slip.righted((stored + beside) / 2) for beside in sides)
    on_step = neutral + np.rint((righted - neutral) / step) * step
    near = (on_step >= np.minimum(one, two)) & (on_step <= np.maximum(one, two))
    return np.where(near, on_step, righted)


def righted(readings: Readings, findings: Sequence[Finding]) -> tuple[Readings, Int64s]:
    """The readings as they would be without the slips; and of each of its rows, which row it was."""
    if not findings:
        return readings, np.arange(readings.rows)
    frame, apart = readings.frame, readings.apart
    changed: dict[str, tuple[Int64s, pl.Series]] = {}
    for name, rows in cells_of([one for one in findings if one.slip is not None], readings).items():
        column = _column_righted(readings, name, [one for one in findings if name in one.cells])
        if name in frame.columns:
            frame = frame.with_columns(column)
        else:
            changed[name] = rows, column.gather(rows).fill_null(float("nan"))
    for finding in findings:
        if finding.belongs_to is not None:
            frame = frame.with_columns(frame["vehicle_id"].scatter(finding.rows, finding.belongs_to))
    was = frame.select(pl.arg_sort_by(KEY, maintain_order=True)).to_series().cast(pl.Int64).to_numpy()
    return replace(readings, frame=frame[was], apart=apart.with_changes(changed, was) if apart else None), was


def moved(finding: Finding, was: Int64s) -> Finding:
    """A finding at rows that have changed places: row r of now was row was[r]."""
    now = np.empty(len(was), np.int64)
    now[was] = np.arange(len(was))
    return replace(finding, rows=now[finding.rows], cells={name: now[rows] for name, rows in finding.cells.items()})


def at_rows(finding: Finding, place: Int64s) -> Finding | None:
    """A finding among fewer rows: row r is row place[r] there, or none (-1); None: nothing is left of it."""
    kept = place[finding.rows] >= 0
    if not kept.any():
        return None
    cells = {name: place[rows][place[rows] >= 0] for name, rows in finding.cells.items()}
    belongs_to = None if finding.belongs_to is None else finding.belongs_to.filter(pl.Series(kept))
    return replace(finding, rows=place[finding.rows][kept], cells=cells, belongs_to=belongs_to)


def without(frame: pl.DataFrame, cells: Mapping[str, Int64s], whole: Bools) -> pl.DataFrame:
    """Snapshots without what is held: cells null, whole readings absent."""
    emptied = frame.with_columns(frame[name].scatter(rows, None) for name, rows in cells.items() if len(rows))
    return emptied.filter(pl.Series(~whole)) if whole.any() else emptied


def rows_in(frame: pl.DataFrame, other: pl.DataFrame) -> Int64s:
    """[R of frame] row of the other frame with the same key; -1: none."""
    place = other.select(KEY).with_row_index("place")
    found = frame.select(KEY).join(place, on=KEY, how="left", maintain_order="left")["place"]
    return found.cast(pl.Int64).fill_null(-1).to_numpy()
