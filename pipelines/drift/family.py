"""One family through season, filter and episodes, correction by correction, from its first reading or a checkpoint."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from pipelines.bands import recalibration, season
from pipelines.bands.band_tables import Bands
from pipelines.bands.group_levels import GROUP, groups_of
from pipelines.bands.normal import Normal
from pipelines.bands.recalibration import blank_levels
from pipelines.drift.directions import Direction
from pipelines.drift.family_run import FamilyRun, Span
from pipelines.drift.joined import joined, rows_of, strongest
from pipelines.drift.leeway import leeway
from pipelines.drift.onset_bank import empty_bank
from pipelines.drift.onset_posterior import OpenAlarm, open_alarms
from pipelines.drift.readings import (
    PeerWeeks,
    Readings,
    Stretch,
    Times,
    VehicleScatter,
    filter_rows,
    health,
    moves,
    output_of,
    own_scale,
    readings_of,
    run_filter,
    scale_of,
    season_rows,
    seasons,
    take_scatter,
    unmoved_rows,
)
from pipelines.drift.series import Output, blank_series, last_output
from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Panel
from pipelines.resume.drift_checkpoint import FamilyCheckpoint, Put
from pipelines.resume.drift_start import Start
from pipelines.resume.legs import Leg, legs_of
from pipelines.threads import in_threads

SHARES = 4  # of the corrections, added up in a fixed order: sums are alike on any number of cores; definition
# Families up to this size leave a vehicle out of its season throughout, not in its own week alone; judgement.
EXACT_PEERS = 10
EVERYONE = -1  # whom the weeks leave out: nobody; definition


def run_family(
    panel: Panel, bands: Bands, settled: Bools, start: Start, directions: Sequence[Direction], *,
    taken: FamilyCheckpoint | None, put: Put,
) -> FamilyRun:  # fmt: skip
    """Run one family to its last reading.

    Args:
        panel: The family's, whole.
        bands: Its normal; the weeks are filled.
        settled: [C, R] False while relearning.
        start: Where to begin.
        directions: In which corrections move together.
        taken: The checkpoint to fill on the way, at or after the start; None: none is wanted.
        put: Takes its onsets.
    """
    times = Times.of(panel, bands.normal, bands.start)
    span = Span.of(panel, start, times)
    week, depot = span.stretch.times.week, span.stretch.times.depot
    shape = bands.weeks.shape[1:]
    legs = legs_of(
        panel.family, first=span.first, last=span.last, rows_before=span.begin, weeks=(start.week, shape[0]),
        taken=taken, put=put,
    )  # fmt: skip
    drift = empty_drift(span.panel, bands)
    run = FamilyRun(
        panel=panel,
        bands=bands,
        times=times,
        start=start,
        span=span,
        legs=legs,
        settled=settled,
        vehicle_scatter=_vehicle_scatter(panel, bands.normal, settled, start=start, span=span, legs=legs, drift=drift),
        by_cell=season.by_cell(week, depot, shape, since=start.week, depot_of=groups_of(panel)[1]),
        by_week=season.by_cell(week, np.zeros_like(depot), (shape[0], 1), since=start.week),
        drift=drift,
        directions=directions,
    )
    found = in_threads(lambda c: _correction(c, run), range(len(panel.codes)))
    every = strongest(in_threads(lambda d: joined(run, d), range(len(directions))))
    run = replace(run, panel=replace(panel, joined=rows_of(every, panel)), joined=every)
    found = in_threads(lambda c: _as_joined(c, run, *found[c]), range(len(panel.codes)))
    return replace(
        run,
        open_alarms=tuple(alarm for alarms, _ in found for alarm in alarms),
        changed=np.array([changed for _, changed in found]),
    )


def _vehicle_scatter(
    panel: Panel, normal: Normal, settled: Bools, *, start: Start, span: Span, legs: Sequence[Leg], drift: FamilyDrift
) -> VehicleScatter:  # fmt: skip
    """Each vehicle's at the panel's rows.

    What each series says of its own waits in the rows of `drift` for scale and z until `_correction` makes these.
    """

    def of(codes: range) -> Float64s:
        of_vehicle = np.zeros((len(span.panel.read_at), 3))
        for c in codes:
            series = start.scatter(c)
            for name, row in (("weight", drift.z.T[c]), ("own", drift.scale.T[c])):
                row[span.first[start.carried] - 1] = series[name][start.carried]
            for leg in legs:
                take_scatter(
                    c, panel, normal, span.stretch, settled[c], first=leg.first, last=leg.last, series=series,
                    of_vehicle=of_vehicle, weight=drift.z.T[c], own=drift.scale.T[c],
                )  # fmt: skip
                leg.keep_scatter(c, series)
        return of_vehicle

    of_vehicle = np.zeros((len(panel.read_at), 3))
    start.fill_told(panel.row_start, of_vehicle)
    for part in in_threads(of, [range(first, len(panel.codes), SHARES) for first in range(SHARES)]):
        of_vehicle[span.stretch.rows] += part
    for leg in legs:
        leg.keep_told(panel.row_start, of_vehicle)
    return VehicleScatter.of(of_vehicle, panel.row_start, normal)


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


def _correction(c: int, run: FamilyRun) -> tuple[list[OpenAlarm], np.ndarray]:
    """Season, epochs' ends, filter of one correction; fills its rows of what the run fills. Its alarms, changes.

    Its row of z holds normal scores of innovations then.
    """
    bands, span = run.bands, run.span
    of_vehicle = run.vehicle_scatter.at(span.stretch.rows)
    own_scatter = scale_of(c, bands, span.stretch.times, of_vehicle, weight=run.drift.z.T[c], own=run.drift.scale.T[c])
    readings = readings_of(
        c, run.panel, bands.normal, span.stretch, run.settled[c], scale=own_scatter, jumps=of_vehicle.jumps
    )
    peers, vehicle_peers = run.start.peers(c)
    weeks = _weeks(c, run, readings, peers)
    seasonal = seasons(
        c, readings, bands.normal, first=span.first, row_start=span.panel.row_start, peers=vehicle_peers, weeks=weeks
    )
    levels, own_levels = run.start.levels(c)
    _shifts(c, run, readings, seasonal[0], levels)
    moved = moves(
        c, readings, seasonal[0], bands, first=span.first, row_start=span.panel.row_start, levels=own_levels
    )  # fmt: skip
    series, onsets = run.start.series(c)
    output, carried = output_of(c, run.drift), run.start.carried
    for row, last in zip(output, last_output(series), strict=True):
        row[span.first[carried] - 1] = last[carried]
    rows, healthy = filter_rows(readings, seasonal, moved), health(c, run.panel, bands)
    for leg in run.legs:
        onsets = run_filter(
            rows, healthy, first=leg.first, last=leg.last, series=series, onsets=onsets, output=output,
            keep=leg.is_kept,
        )  # fmt: skip
        leg.keep_series(c, run.panel.codes[c], series, onsets)
    run.drift.scale.T[c] = readings.scale
    return _open_alarms(c, run, weeks, series), series["changed"].copy()


def _as_joined(
    c: int, run: FamilyRun, alarms: list[OpenAlarm], changed: np.ndarray
) -> tuple[list[OpenAlarm], np.ndarray]:
    """The same where others bear a change of the correction out, from those vehicles' first readings; then all of z."""
    is_led = np.zeros(len(run.panel.vehicles), dtype=np.bool_)
    is_led[run.joined["vehicle"][run.joined["correction"] == c]] = True
    if is_led.any():
        weeks = PeerWeeks(run.bands.weeks[c][None], run.bands.levels[c][None], run.bands.shared)
        series = _judged_again(c, run, is_led, weeks)
        others = [alarm for alarm in alarms if not is_led[alarm.vehicle]]
        alarms = sorted(others + _open_alarms(c, run, weeks, series), key=lambda alarm: alarm.vehicle)
        changed = np.where(is_led, series["changed"], changed)
    standardise(c, run.span.panel, run.bands, run.span.stretch.times, run.drift)
    return alarms, changed


def _judged_again(c: int, run: FamilyRun, is_led: Bools, weeks: PeerWeeks) -> np.ndarray:
    """[V] of `SERIES` after the last reading of these vehicles, by all that is said; fills their rows of the output."""
    panel, span, normal, count = run.panel, run.span, run.bands.normal, len(is_led)
    stretch = Stretch.of(panel, np.where(is_led, panel.row_start[:-1], panel.row_start[1:]), run.times)
    of_vehicle = run.vehicle_scatter.at(stretch.rows)
    scale = own_scale(c, panel, run.bands, stretch, run.settled[c], of_vehicle=of_vehicle)
    readings = readings_of(c, panel, normal, stretch, run.settled[c], scale=scale, jumps=of_vehicle.jumps)
    rows: dict[str, Any] = {"first": stretch.row_start[:-1], "row_start": stretch.row_start}
    seasonal = seasons(c, readings, normal, **rows, peers=season.blank_peers(count), weeks=weeks)
    moved = moves(c, readings, seasonal[0], run.bands, **rows, levels=blank_levels(count))
    numbers = np.full((5, len(scale)), np.nan, dtype=np.float32)
    output, series = Output(*numbers, *np.zeros((2, len(scale)), dtype=np.bool_)), blank_series(count)
    run_filter(
        filter_rows(readings, seasonal, moved), health(c, panel, run.bands), first=stretch.row_start[:-1],
        last=stretch.row_start[1:], series=series, onsets=empty_bank(0), output=output,
    )  # fmt: skip
    into = np.flatnonzero(is_led[span.vehicle])
    since = into + (stretch.row_start[1:] - span.panel.row_start[1:])[span.vehicle[into]]
    for row, again in zip(output_of(c, run.drift), output, strict=True):
        row[into] = again[since]
    return series


def _open_alarms(c: int, run: FamilyRun, weeks: PeerWeeks, series: Any) -> list[OpenAlarm]:
    """The alarms of one correction at the last readings, from all readings of their vehicles."""
    start, end = run.panel.row_start[:-1], run.panel.row_start[1:]
    stretch = Stretch.of(run.panel, np.where(series["alarm"]["on"], start, end), run.times)
    of_vehicle = run.vehicle_scatter.at(stretch.rows)
    scale = own_scale(c, run.panel, run.bands, stretch, run.settled[c], of_vehicle=of_vehicle)
    readings = readings_of(c, run.panel, run.bands.normal, stretch, run.settled[c], scale=scale, jumps=of_vehicle.jumps)
    return open_alarms(
        c, panel=run.panel, readings=readings, row_start=stretch.row_start, bands=run.bands, weeks=weeks, series=series
    )


def _weeks(c: int, run: FamilyRun, readings: Readings, peers: Any) -> PeerWeeks:
    """What peers do together in one correction; fills the weeks with everyone in, if nobody learned them before."""
    start, weeks, levels = run.start, run.bands.weeks[c], run.bands.levels[c]
    if not run.bands.shared:
        return PeerWeeks(weeks[None], levels[None], shared=False)
    start.fill_weeks(c, weeks, run.panel.depots)
    groups = start.fill_groups(c, levels, run.bands.groups)
    run_weeks = partial(
        season.run_weeks, season_rows(readings, run.span.vehicle), run.by_cell, season.Model.of(c, run.bands.normal)
    )
    for leg in run.legs:
        run_weeks(season.Known(peers, groups, levels, weeks), leg.first_week, leg.last_week, EVERYONE)
        leg.keep_weeks(c, peers, groups, weeks=weeks, levels=levels)
    if len(run.panel.vehicles) > EXACT_PEERS:
        return PeerWeeks(weeks[None], levels[None])
    vehicles = len(run.panel.vehicles)
    without = np.zeros((vehicles, *weeks.shape), dtype=season.WEEKLY)
    their_levels = np.full((vehicles, *levels.shape), np.nan)
    for vehicle in range(vehicles):
        groups = np.zeros(len(run.bands.groups), dtype=GROUP)
        known = season.Known(season.blank_peers(vehicles), groups, their_levels[vehicle], without[vehicle])
        run_weeks(known, 0, len(weeks), vehicle)
    return PeerWeeks(without, their_levels)


def _shifts(c: int, run: FamilyRun, readings: Readings, seasonal: Float64s, levels: Any) -> None:
    """Fill the weeks of what epochs' ends moved; learned elsewhere, they are filled."""
    if not run.bands.shared:
        return
    shifts, carried = run.bands.shifts[c], run.bands.carried[c]
    ends = run.start.fill_shifts(c, shifts, carried)
    rows, model = unmoved_rows(readings, seasonal, run.span.vehicle), recalibration.Model.of(c, run.bands.normal)
    known = recalibration.Known(levels, shifts, carried)
    for leg in run.legs:
        ends = recalibration.run_weeks(rows, run.by_week, model, known, ends, leg.first_week, leg.last_week)
        leg.keep_shifts(c, levels, ends, shifts=shifts, carried=carried)


def standardise(c: int, panel: Panel, bands: Bands, times: Times, drift: FamilyDrift) -> None:
    """Fill one correction's rows of z and leeway from those of expectation and deviation."""
    normal = bands.normal
    drift.z.T[c] = drift.deviation.T[c] / (normal.sigma[c, times.block] * drift.scale.T[c])
    drift.leeway.T[c] = leeway(
        drift.expected.T[c] + drift.deviation.T[c],
        drift.deviation.T[c],
        normal.centre[c, times.block, times.calibration] + bands.levels[c, times.week, times.group],
        low_limit=panel.low_limit[c],
        high_limit=panel.high_limit[c],
        measured_low=bool(panel.measured_low[c]),
        measured_high=bool(panel.measured_high[c]),
    )
