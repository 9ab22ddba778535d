"""What was decided, done to the readings; and what is held, taken out of what the stages see. Frames in and out."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from pipelines.handover import Bools, Int64s
from pipelines.held.finding import Finding
from pipelines.held.readings import Readings

KEY = ["vehicle_id", "read_at"]


def cells_of(findings: Sequence[Finding], readings: Readings) -> dict[str, Bools]:
    """Column -> [R] where it is held; of whole readings every column."""
    held: dict[str, Bools] = {}
    every = [column.name for column in readings.measured]
    for finding in findings:
        for name, rows in finding.by_column(every).items():
            held.setdefault(name, np.zeros(readings.rows, np.bool_))[rows] = True
    return held


def whole_readings(findings: Sequence[Finding], rows: int) -> Bools:
    """[R] readings that are held as a whole."""
    held = np.zeros(rows, np.bool_)
    for finding in findings:
        if finding.is_whole:
            held[finding.rows] = True
    return held


def units_righted(frame: pl.DataFrame, findings: Sequence[Finding]) -> pl.DataFrame:
    """The cells of findings in another unit in the contract's: in double precision, then as precise as is stored."""
    changed: dict[str, pl.Series] = {}
    for finding in findings:
        if finding.slip is None:
            continue
        for name, rows in finding.cells.items():
            came = changed.get(name, frame[name])
            righted = finding.slip.righted(_as_written(came.gather(rows)).to_numpy())
            changed[name] = came.scatter(rows, pl.Series(name, righted).fill_nan(None).cast(came.dtype))
    return frame.with_columns(**changed)


def _as_written(came: pl.Series) -> pl.Series:
    """In double precision; of what is stored in single precision, the number with the fewest digits."""
    exact = came.cast(pl.String).cast(pl.Float64) if came.dtype == pl.Float32 else came.cast(pl.Float64)
    return exact.fill_null(float("nan"))


def righted(readings: Readings, findings: Sequence[Finding]) -> tuple[Readings, Int64s]:
    """The readings as they would be without the slips; and of each of its rows, which row it was."""
    frame = units_righted(readings.frame, findings).with_row_index("was")
    for finding in findings:
        if finding.belongs_to is not None:
            frame = frame.with_columns(frame["vehicle_id"].scatter(finding.rows, finding.belongs_to))
    frame = frame.sort(KEY, maintain_order=True)
    was = frame["was"].cast(pl.Int64).to_numpy()
    return Readings(frame=frame.drop("was"), vehicles=readings.vehicles, catalogue=readings.catalogue), was


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


def without(frame: pl.DataFrame, cells: Mapping[str, Bools], whole: Bools) -> pl.DataFrame:
    """Snapshots without what is held: cells null, whole readings absent."""
    emptied = frame.with_columns(
        pl.when(pl.Series(~mask)).then(pl.col(name)).alias(name) for name, mask in cells.items() if mask.any()
    )
    return emptied.filter(pl.Series(~whole)) if whole.any() else emptied


def rows_in(frame: pl.DataFrame, other: pl.DataFrame) -> Int64s:
    """[R of frame] row of the other frame with the same key; -1: none."""
    place = other.select(KEY).with_row_index("place")
    found = frame.select(KEY).join(place, on=KEY, how="left", maintain_order="left")["place"]
    return found.cast(pl.Int64).fill_null(-1).to_numpy()
