"""One family through season, filter and episodes, correction by correction, from its first reading or a checkpoint."""

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from pipelines.bands import recalibration, season
from pipelines.bands.kept import Bands
from pipelines.bands.normal import vehicle_of_row
from pipelines.drift.checkpoint import FamilyCheckpoint, Put, Start
from pipelines.drift.leeway import leeway
from pipelines.drift.onset_posterior import OpenAlarm, open_alarms
from pipelines.drift.readings import (
    Readings,
    Stretch,
    Times,
    filter_rows,
    health,
    moves,
    output_of,
    readings_of,
    run_filter,
    seasons,
    unmoved,
)
from pipelines.drift.series import last_output
from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Int32s, Int64s, Panel
from pipelines.threads import in_threads

EXACT_PEERS = 10  # families up to this size leave a vehicle out of its season throughout, not in its own week alone


@dataclass(frozen=True, kw_only=True)
class Span:
    """The rows that are computed, and before them each vehicle's last that is known; row numbers in `panel`, [V].

    panel: These rows alone. stretch: where they are in the whole panel. vehicle: [R] index. first: to compute. cut:
    first after the checkpoint that is taken. last: one behind the vehicle's.
    """

    panel: Panel
    stretch: Stretch
    vehicle: Int32s
    first: Int64s
    cut: Int64s
    last: Int64s

    @classmethod
    def of(cls, panel: Panel, start: Start, cut: Int64s, times: Times) -> "Span":
        """From `start` on; `cut` [V] in the whole panel, `times` of all its rows."""
        stretch = Stretch.of(panel, start.first - start.carried, times)
        shift = stretch.row_start[:-1] - stretch.begin
        mine = _rows_of(panel, stretch)
        return cls(
            panel=mine,
            stretch=stretch,
            vehicle=vehicle_of_row(mine),
            first=start.first + shift,
            cut=cut + shift,
            last=stretch.row_start[1:],
        )


def _rows_of(panel: Panel, stretch: Stretch) -> Panel:
    by_row = {name: getattr(panel, name)[stretch.rows] for name in ("read_at", "hours", "km", "depot", "calibration")}
    by_code = {name: getattr(panel, name).T[:, stretch.rows].T for name in ("values", "epoch")}
    return replace(panel, row_start=stretch.row_start, **by_row, **by_code)


@dataclass(frozen=True, kw_only=True)
class FamilyRun:
    """What a family's run needs and what it fills: `drift`, weeks of `bands`, and `taken` if there is one.

    settled: [C, R] False while relearning. by_cell, by_week: the span's rows by week and depot, and by week alone, from
    the first computed week on; and the first of each. open_alarms: those at the last readings.
    """

    panel: Panel
    bands: Bands
    times: Times
    start: Start
    span: Span
    settled: Bools
    by_cell: tuple[Int64s, Int64s]
    by_week: tuple[Int64s, Int64s]
    drift: FamilyDrift
    taken: FamilyCheckpoint | None
    put: Put
    open_alarms: tuple[OpenAlarm, ...] = ()


def run_family(
    panel: Panel, bands: Bands, settled: Bools, start: Start, *, taken: FamilyCheckpoint | None, put: Put
) -> FamilyRun:
    """Run one family to its last reading.

    Args:
        panel: The family's, whole.
        bands: Its normal; the weeks are filled.
        settled: [C, R] False while relearning.
        start: Where to begin.
        taken: The checkpoint to fill on the way, at or after the start; None: none is wanted.
        put: Takes its onsets.
    """
    times = Times.of(panel, bands.normal, bands.start)
    span = Span.of(panel, start, panel.row_start[:-1] + taken.rows if taken else start.first, times)
    week, depot = span.stretch.times.week, span.stretch.times.depot
    shape = bands.weeks.shape[1:]
    run = FamilyRun(
        panel=panel,
        bands=bands,
        times=times,
        start=start,
        span=span,
        settled=settled,
        by_cell=season.by_cell(week, depot, shape, since=start.week),
        by_week=season.by_cell(week, np.zeros_like(depot), (shape[0], 1), since=start.week),
        drift=empty_drift(span.panel, bands),
        taken=taken,
        put=put,
    )
    standing = in_threads(lambda c: _correction(c, run), range(len(panel.codes)))
    return replace(run, open_alarms=tuple(alarm for some in standing for alarm in some))


def empty_drift(panel: Panel, bands: Bands) -> FamilyDrift:
    """The arrays that the filter fills, stored correction by correction."""
    shape = (len(panel.codes), len(panel.read_at))

    def blank() -> Float32s:
        return np.full(shape, np.nan, dtype=np.float32).T

    return FamilyDrift(
        panel=panel,
        expected=blank(),
        sigma=bands.normal.sigma[:, -1].astype(np.float32),
        memory_days=bands.normal.memory_days[:, -1].astype(np.float32),
        scale=blank(),
        deviation=blank(),
        z=blank(),
        slope=blank(),
        leeway=blank(),
        evidence=blank(),
        threshold=np.full(len(panel.codes), bands.threshold[-1], dtype=np.float32),
        alarm=np.zeros(shape, dtype=np.bool_).T,
        relearning=np.zeros(shape, dtype=np.bool_).T,
    )


def _correction(c: int, run: FamilyRun) -> list[OpenAlarm]:
    """Season, epochs' ends, filter of one correction; fills its rows of what the run fills. Its standing alarms."""
    bands, span = run.bands, run.span
    mine = readings_of(c, run.panel, bands.normal, span.stretch, run.settled[c])
    peers, own = run.start.peers(c)
    weeks = _weeks(c, run, mine, peers)
    seasonal = seasons(c, mine, bands.normal, first=span.first, row_start=span.panel.row_start, peers=own, weeks=weeks)
    levels, own_levels = run.start.levels(c)
    _shifts(c, run, mine, seasonal[0], levels)
    moved = moves(
        c, mine, seasonal[0], bands, first=span.first, row_start=span.panel.row_start, levels=own_levels
    )  # fmt: skip
    series, onsets = run.start.series(c)
    output, carried = output_of(c, run.drift), run.start.carried
    for row, last in zip(output, last_output(series), strict=True):
        row[span.first[carried] - 1] = last[carried]
    go_on = partial(run_filter, filter_rows(mine, seasonal, moved), health(c, bands), series=series, output=output)
    if run.taken:
        onsets = go_on(first=span.first, last=span.cut, onsets=onsets, keep=True)
        run.taken.series[c] = series
        run.taken.onsets[c] = run.put(f"onsets of {run.panel.family}, {run.panel.codes[c]}", onsets)
    go_on(first=span.cut, last=span.last, onsets=onsets)
    run.drift.scale.T[c] = mine.scale
    standardise(c, span.panel, bands, mine.times, run.drift)
    return _open_alarms(c, run, weeks, series)


def _open_alarms(c: int, run: FamilyRun, weeks: Any, series: Any) -> list[OpenAlarm]:
    """The alarms of one correction at the last readings, from all readings of their vehicles."""
    start, end = run.panel.row_start[:-1], run.panel.row_start[1:]
    stretch = Stretch.of(run.panel, np.where(series["alarm"]["on"], start, end), run.times)
    readings = readings_of(c, run.panel, run.bands.normal, stretch, run.settled[c])
    return open_alarms(
        c, panel=run.panel, readings=readings, row_start=stretch.row_start, bands=run.bands, weeks=weeks, series=series
    )


def _weeks(c: int, run: FamilyRun, readings: Readings, peers: Any) -> Any:
    """[1 or V, W, D + 1] of the season's `WEEKLY`; fills those with everyone in, and the checkpoint's."""
    normal, start, weeks = run.bands.normal, run.start, run.bands.weeks[c]
    start.know_weeks(c, weeks, run.panel.depots)
    rows = (readings.x, *run.by_cell)
    model = (
        run.span.vehicle, readings.epoch, readings.settled, readings.times.block, normal.weekly_noise(c),
        normal.offset_sd[c] ** 2, normal.season_move[c], normal.depot_move[c],
    )  # fmt: skip
    cut = run.taken.week if run.taken else start.week
    season.run_weeks(*rows, start.week, cut, *model, -1, peers, weeks)
    if run.taken:
        run.taken.peers[c] = peers
        run.taken.weeks[c] = weeks[:cut]
    season.run_weeks(*rows, cut, len(weeks), *model, -1, peers, weeks)
    if len(run.panel.vehicles) > EXACT_PEERS:
        return weeks[None]
    without = np.zeros((len(run.panel.vehicles), *weeks.shape), dtype=season.WEEKLY)
    for vehicle, theirs in enumerate(without):
        season.run_weeks(*rows, 0, len(weeks), *model, vehicle, season.blank_peers(len(without)), theirs)
    return without


def _shifts(c: int, run: FamilyRun, readings: Readings, seasonal: Float64s, levels: Any) -> None:
    """Fill the weeks of what epochs' ends moved, and the checkpoint's."""
    normal, start, shifts, carried = run.bands.normal, run.start, run.bands.shifts[c], run.bands.carried[c]
    ends = start.know_shifts(c, shifts, carried)
    rows = (unmoved(readings, seasonal), *run.by_week)
    model = (
        run.span.vehicle, readings.epoch, readings.settled, readings.times.change, readings.times.block,
        normal.weekly_noise(c), normal.offset_sd[c] ** 2,
    )  # fmt: skip
    cut = run.taken.week if run.taken else start.week
    ends = recalibration.run_weeks(*rows, start.week, cut, *model, levels, ends, shifts, carried)
    if run.taken:
        run.taken.levels[c] = levels
        run.taken.ends[c] = ends
        run.taken.shifts[c], run.taken.carried[c] = shifts[:cut], carried[:cut]
    recalibration.run_weeks(*rows, cut, len(carried), *model, levels, ends, shifts, carried)


def standardise(c: int, panel: Panel, bands: Bands, times: Times, drift: FamilyDrift) -> None:
    """Fill one correction's rows of z and leeway from those of expectation and deviation."""
    normal = bands.normal
    drift.z.T[c] = drift.deviation.T[c] / (normal.sigma[c, times.block] * drift.scale.T[c])
    drift.leeway.T[c] = leeway(
        drift.expected.T[c] + drift.deviation.T[c],
        drift.deviation.T[c],
        normal.centre[c, times.block, times.calibration],
        low_limit=panel.low_limit[c],
        high_limit=panel.high_limit[c],
        can_fault_low=bool(panel.can_fault_low[c]),
        can_fault_high=bool(panel.can_fault_high[c]),
    )
