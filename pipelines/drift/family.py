"""One family through season, filter and episodes, correction by correction, from its first reading or a checkpoint."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from pipelines.bands import season
from pipelines.bands.kept import Bands
from pipelines.bands.normal import vehicle_of_row
from pipelines.drift.checkpoint import FamilyCheckpoint, Start
from pipelines.drift.episode import Episodes, explain
from pipelines.drift.leeway import leeway
from pipelines.drift.readings import Readings, Times, output_rows, readings_of, seasons, sift
from pipelines.handover import FamilyDrift, Float32s, Int64s, Panel

THREADS = 2
EXACT_PEERS = 10  # families up to this size leave a vehicle out of its season throughout, not in its own week alone
CARRIED = ("expected", "deviation", "slope", "evidence", "on", "learning")  # of a series, in the order of the outputs


@dataclass(frozen=True, kw_only=True)
class Span:
    """The rows that are computed, and before them each vehicle's last that is known; row numbers in `panel`, [V].

    panel: These rows alone. rows: their numbers in the whole panel. first: to compute. cut: first after the checkpoint
    that is taken. last: one behind the vehicle's.
    """

    panel: Panel
    rows: Int64s | slice
    first: Int64s
    cut: Int64s
    last: Int64s

    @classmethod
    def of(cls, panel: Panel, start: Start, cut: Int64s) -> "Span":
        """From `start` on; `cut` [V] in the whole panel."""
        begin = start.first - start.carried
        row_start = np.append(0, np.cumsum(panel.row_start[1:] - begin))
        shift = row_start[:-1] - begin
        rows: Int64s | slice = slice(None)
        if row_start[-1] < len(panel.read_at):
            rows = np.arange(row_start[-1]) - np.repeat(shift, np.diff(row_start))
            panel = _rows_of(panel, rows, row_start)
        return cls(panel=panel, rows=rows, first=start.first + shift, cut=cut + shift, last=row_start[1:])


def _rows_of(panel: Panel, rows: Int64s, row_start: Int64s) -> Panel:
    by_row = {name: getattr(panel, name)[rows] for name in ("read_at", "hours", "km", "depot", "calibration")}
    by_code = {name: getattr(panel, name).T[:, rows].T for name in ("values", "epoch")}
    return replace(panel, row_start=row_start, **by_row, **by_code)


@dataclass(frozen=True, kw_only=True)
class FamilyRun:
    """What one family's run needs and what it fills: `drift`, `bands.weeks`, `episodes`, and `taken` if there is one.

    order, cell_start: rows by week and depot, from the first computed week on.
    """

    panel: Panel
    bands: Bands
    times: Times
    start: Start
    span: Span
    order: Int64s
    cell_start: Int64s
    drift: FamilyDrift
    episodes: Episodes
    taken: FamilyCheckpoint | None


def run_family(panel: Panel, bands: Bands, start: Start, taken: FamilyCheckpoint | None) -> FamilyRun:
    """Run one family to its last reading.

    Args:
        panel: The family's, whole.
        bands: Its normal; the weeks are filled.
        start: Where to begin.
        taken: The checkpoint to fill on the way, at or after the start; None: none is wanted.
    """
    times = Times.of(panel, bands.normal, bands.start)
    span = Span.of(panel, start, panel.row_start[:-1] + taken.rows if taken else start.first)
    order, cell_start = season.by_cell(times.week, panel.depot, bands.weeks.shape[1:], since=start.week)
    run = FamilyRun(
        panel=panel,
        bands=bands,
        times=times,
        start=start,
        span=span,
        order=order,
        cell_start=cell_start,
        drift=empty_drift(span.panel, bands),
        episodes=Episodes.none(len(panel.codes), len(panel.vehicles)),
        taken=taken,
    )
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(lambda c: _correction(c, run), range(len(panel.codes))))
    return run


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
        deviation=blank(),
        z=blank(),
        slope=blank(),
        leeway=blank(),
        evidence=blank(),
        threshold=np.full(len(panel.codes), bands.threshold[-1], dtype=np.float32),
        alarm=np.zeros(shape, dtype=np.bool_).T,
        relearning=np.zeros(shape, dtype=np.bool_).T,
    )


def _correction(c: int, run: FamilyRun) -> None:
    """Season, filter, episodes of one correction; fills its rows of what the run fills."""
    panel, bands, span = run.panel, run.bands, run.span
    readings = readings_of(c, panel, bands.normal, run.times)
    peers, own = run.start.peers(c)
    weeks = _weeks(c, run, readings, peers)
    mine = readings.at(span.rows)
    seasonal = seasons(c, mine, bands.normal, first=span.first, row_start=span.panel.row_start, peers=own, weeks=weeks)
    series, onsets = run.start.series(c)
    outputs = output_rows(c, run.drift)
    carried = run.start.carried
    for name, row in zip(CARRIED, outputs, strict=True):
        row[span.first[carried] - 1] = series[name][carried]
    go_on = partial(sift, c, mine, bands, seasonal, series=series, outputs=outputs)
    onsets = go_on(first=span.first, last=span.cut, onsets=onsets)
    if run.taken:
        run.taken.series[c] = series
        run.taken.onsets[c] = onsets.copy()  # without the room left
    go_on(first=span.cut, last=span.last, onsets=onsets)
    explain(c, run.episodes, panel=panel, readings=readings, bands=bands, weeks=weeks, series=series)
    scale(c, span.panel, bands, mine.times, run.drift)


def _weeks(c: int, run: FamilyRun, readings: Readings, peers: Any) -> Any:
    """[1 or V, W, D + 1] of the season's `WEEKLY`; fills those with everyone in, and the checkpoint's."""
    normal, start, weeks = run.bands.normal, run.start, run.bands.weeks[c]
    start.know_weeks(c, weeks, run.panel.depots)
    rows = (readings.x, run.order, run.cell_start)
    model = (
        vehicle_of_row(run.panel), readings.epoch, normal.block, normal.weekly_noise(c), normal.offset_sd[c] ** 2,
        normal.season_move[c], normal.depot_move[c],
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


def scale(c: int, panel: Panel, bands: Bands, times: Times, drift: FamilyDrift) -> None:
    """Fill one correction's rows of z and leeway from those of expectation and deviation."""
    normal = bands.normal
    drift.z.T[c] = drift.deviation.T[c] / normal.sigma[c, times.block]
    drift.leeway.T[c] = leeway(
        drift.expected.T[c] + drift.deviation.T[c],
        drift.deviation.T[c],
        normal.centre[c, times.block, times.calibration],
        low_limit=panel.low_limit[c],
        high_limit=panel.high_limit[c],
        can_fault_low=bool(panel.can_fault_low[c]),
        can_fault_high=bool(panel.can_fault_high[c]),
    )
