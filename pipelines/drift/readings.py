"""One correction's readings as season and filter take them, and both run over any of their rows; arrays only."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from pipelines.bands import recalibration, season
from pipelines.bands.anchors import anchors
from pipelines.bands.band_tables import Bands
from pipelines.bands.group_levels import GROUP, groups_of
from pipelines.bands.normal import WEEK, Normal, days
from pipelines.bands.scatter import Law, Said, blank_scatter, listen, series_scales, vehicle_scales
from pipelines.bands.scatter import Rows as ScatterRows
from pipelines.drift.carry_over import MOVED
from pipelines.drift.glr import run
from pipelines.drift.onset_bank import BANK, empty_bank
from pipelines.drift.series import NO_TRACE, STEP, TAIL, Healthy, Output, Resumed, Rows
from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Int32s, Int64s, Panel
from pipelines.standstill.rule import held_beyond
from pipelines.standstill.unlearned import learned_readings

NO_GROUPS = np.zeros(0, dtype=GROUP)  # rows ask for none: definition


@dataclass(frozen=True, kw_only=True)
class Times:
    """What the rows of a panel have in common for all corrections; [R].

    day: since 1970. week: since the fleet's first reading. block: of the normal. change: index of the vehicle's last
    change of calibration; -1: none so far. group: index of depot and duty.
    """

    day: Float64s
    week: Int64s
    block: Int32s
    depot: Int32s
    group: Int32s
    calibration: Int32s
    change: Int32s

    @classmethod
    def of(cls, panel: Panel, normal: Normal, fleet_start: float) -> "Times":
        """Of all rows of a panel."""
        day = days(panel)
        return cls(
            day=day,
            week=np.floor((day - fleet_start) / WEEK).astype(np.int64),
            block=normal.block,
            depot=panel.depot,
            group=groups_of(panel)[0],
            calibration=panel.calibration,
            change=recalibration.changes(panel.calibration, panel.row_start)[0],
        )

    def at(self, rows: slice | Int64s) -> "Times":
        """These rows alone."""
        return Times(**{name: value[rows] for name, value in vars(self).items()})


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Rows of a panel: from row `begin` [V] of each vehicle on. rows: their numbers. row_start: [V + 1] of them."""

    begin: Int64s
    rows: Int64s | slice
    row_start: Int64s
    times: Times

    @classmethod
    def of(cls, panel: Panel, begin: Int64s, times: Times) -> "Stretch":
        """From `begin` on; `times` of all rows."""
        row_start = np.append(0, np.cumsum(panel.row_start[1:] - begin))
        rows: Int64s | slice = slice(None)
        if row_start[-1] < len(panel.read_at):
            rows = np.arange(row_start[-1]) + np.repeat(begin - row_start[:-1], np.diff(row_start))
        return cls(begin=begin, rows=rows, row_start=row_start, times=times.at(rows))


@dataclass(frozen=True, kw_only=True)
class Readings:
    """One correction at some rows; [R].

    values: NaN: not read, or not learned since the reading before. anchor: centre with ageing. recentred: [R, 2] what
    of it the last change of calibration, and all of them, moved. epoch: of learning. settled: not relearning.
    hours: run in which something was learned. scale: sd of the series' own noise over the pooled one's, as known before
    the reading. coded: whether a code stands that speaks of it. worked: whether there was work on it since the reading
    before. joined: whether others bear its change out. stood: whether it was read and had learned nothing. jumps: how
    many of the vehicle's corrections did there.
    """

    values: Float32s
    anchor: Float64s
    recentred: Float64s
    epoch: Int32s
    settled: Bools
    hours: Float64s
    scale: Float64s
    coded: Bools
    worked: Bools
    joined: Bools
    stood: Bools
    jumps: Float64s
    times: Times

    def at(self, rows: slice | Int64s) -> "Readings":
        """These rows alone."""
        columns = {name: value[rows] for name, value in vars(self).items() if name != "times"}
        return Readings(**columns, times=self.times.at(rows))

    @property
    def x(self) -> Float64s:
        """[R] readings minus centre and ageing."""
        x: Float64s = self.values - self.anchor
        return x


class VehicleScatter(NamedTuple):
    """What all its corrections together say of each vehicle at rows of a panel, [R].

    scale: of its noise, as known before. error: variance of that. jumps: how many of its corrections jumped.
    """

    scale: Float64s
    error: Float64s
    jumps: Float64s

    @classmethod
    def of(cls, said: Float64s, row_start: Int64s, normal: Normal) -> "VehicleScatter":
        """From what `take_scatter` added up over all corrections, [R, 3]."""
        scale, error = vehicle_scales(said, row_start, normal.block, normal.vehicle_scatter())
        return cls(scale, error, said[:, 2].copy())

    def at(self, rows: Int64s | slice) -> "VehicleScatter":
        """These rows alone."""
        return VehicleScatter(*(column[rows] for column in self))


class PeerWeeks(NamedTuple):
    """What peers do together in one correction: for all vehicles, or for each its own, without it.

    weeks: [1 or V, W, D + 1] of the season's `WEEKLY`. levels: [1 or V, W, G] of groups. shared: whether the vehicles
    are among those peers.
    """

    weeks: Any
    levels: Float64s
    shared: bool = True

    def of(self, vehicle: int) -> "PeerWeeks":
        """What one vehicle sees."""
        its_rows = slice(vehicle, vehicle + 1) if len(self.weeks) > 1 else slice(1)
        return PeerWeeks(self.weeks[its_rows], self.levels[its_rows], self.shared)


def readings_of(
    c: int, panel: Panel, normal: Normal, stretch: Stretch, settled: Bools, *, scale: Float64s, jumps: Float64s
) -> Readings:  # fmt: skip
    """One correction's at the rows of a stretch.

    Args:
        c: Index of the correction.
        panel: The family's, whole.
        normal: Its normal.
        stretch: The rows.
        settled: [R] False while it relearns.
        scale: [rows of the stretch] of the series' own noise.
        jumps: [rows of the stretch] how many of the vehicle's corrections jumped.
    """
    low, high = held_beyond(panel)
    whole = panel.row_start, stretch.begin, normal.block
    values, hours, stood = learned_readings(
        panel.values.T[c], panel.hours, *whole, normal.stands_from[c], low[c], high[c]
    )
    anchor, recentred = anchors(*whole, panel.calibration, normal.centre[c], normal.ageing[c], panel.km)
    return Readings(
        values=values,
        anchor=anchor,
        recentred=recentred,
        epoch=np.ascontiguousarray(panel.epoch.T[c, stretch.rows]),
        settled=settled[stretch.rows],
        hours=hours,
        scale=scale,
        coded=_coded(panel, panel.codes[c])[stretch.rows],
        worked=_at(panel, panel.worked.get(panel.codes[c], []))[stretch.rows],
        joined=_at(panel, panel.joined.get(panel.codes[c], []))[stretch.rows],
        stood=stood,
        jumps=jumps,
        times=stretch.times,
    )


def _coded(panel: Panel, code: str) -> Bools:
    """[R] whether a code stands that speaks of a correction."""
    coded = np.zeros(len(panel.read_at), dtype=np.bool_)
    for first, last in panel.coded.get(code, ()):
        coded[first:last] = True
    return coded


def _at(panel: Panel, rows: Int64s | list[int]) -> Bools:
    """[R] true at these rows."""
    there = np.zeros(len(panel.read_at), dtype=np.bool_)
    there[rows] = True
    return there


def take_scatter(
    c: int, panel: Panel, normal: Normal, stretch: Stretch, settled: Bools, *, first: Int64s, last: Int64s, series: Any,
    of_vehicle: Float64s, weight: Float32s, own: Float32s,
) -> None:  # fmt: skip
    """Take rows of one correction into what is known of its series' scatter; see `scatter.listen`.

    Args:
        c: Index of the correction.
        panel: The family's, whole.
        normal: Its normal.
        stretch: Rows of it, n in all.
        settled: [R] False while it relearns.
        first: [V] row of the stretch to begin with.
        last: [V] row to stop at.
        series: [V] of `SERIES_SCATTER`, brought to `last`.
        of_vehicle: [n, 3] receives, added, what each row says of its vehicle.
        weight: [n] output: of the series' own scale.
        own: [n] output: that scale times its weight.
    """
    low, high = held_beyond(panel)
    rows, times = stretch.rows, stretch.times
    taken = ScatterRows(panel.values.T[c, rows], panel.epoch.T[c, rows], settled[rows], times.day, times.block)
    law = Law(normal.series_scatter(c), normal.stands_from[c], low[c], high[c], panel.resolution[c])
    listen(taken, law, first, last, series, Said(of_vehicle, weight, own))


def own_scale(
    c: int, panel: Panel, bands: Bands, stretch: Stretch, settled: Bools, *, of_vehicle: VehicleScatter
) -> Float64s:  # fmt: skip
    """[n] what the pooled noise is multiplied by at the rows of a stretch that begins with each vehicle's first.

    Args:
        c: Index of the correction.
        panel: The family's, whole.
        bands: Its bands.
        stretch: The rows, n in all.
        settled: [R] False while it relearns.
        of_vehicle: The vehicle's, at these rows.
    """
    count = len(of_vehicle.scale)
    weight, own = np.empty((2, count), dtype=np.float32)
    take_scatter(
        c, panel, bands.normal, stretch, settled, first=stretch.row_start[:-1], last=stretch.row_start[1:],
        series=blank_scatter(len(stretch.begin)), of_vehicle=np.zeros((count, 3)), weight=weight, own=own,
    )  # fmt: skip
    return scale_of(c, bands, stretch.times, of_vehicle, weight=weight, own=own)


def scale_of(
    c: int, bands: Bands, times: Times, of_vehicle: VehicleScatter, *, weight: Float32s, own: Float32s
) -> Float64s:  # fmt: skip
    """[n] the same from what `take_scatter` gave."""
    spread = bands.normal.series_scatter(c)
    vehicle = of_vehicle.scale, of_vehicle.error
    scale: Float64s = series_scales(*vehicle, weight, own, times.block, spread, bands.widening)
    return scale


def season_rows(readings: Readings, vehicle: Int32s) -> season.Rows:
    """What the season takes of readings; `vehicle` [R] matters for whole weeks alone."""
    times = readings.times
    return season.Rows(
        readings.x, times.week, vehicle, times.depot, times.group, readings.epoch, readings.settled, times.block
    )  # fmt: skip


def seasons(
    c: int, readings: Readings, normal: Normal, *, first: Int64s, row_start: Int64s, peers: Any, weeks: PeerWeeks
) -> tuple[Float64s, Float64s]:  # fmt: skip
    """[R], [R] the season and its error variance, in worth of readings' noise, from row `first` of each vehicle on.

    Args:
        c: Index of the correction.
        readings: Of the rows.
        normal: The family's.
        first: [V] rows to begin with.
        row_start: [V + 1].
        peers: [V] of the season's `PEER`, as they stand before `first`.
        weeks: What peers do together, week by week.
    """
    times = readings.times
    season_of_weeks = weeks.weeks["season"][0]
    seasonal = season_of_weeks[np.minimum(times.week, len(season_of_weeks) - 1), times.depot]
    variance = np.zeros(len(seasonal))
    known = season.Known(peers, NO_GROUPS, weeks.levels, weeks.weeks, weeks.shared)
    rows, model = season_rows(readings, times.depot), season.Model.of(c, normal)
    season.run_rows(rows, model, known, first, row_start, seasonal, variance)
    return seasonal, variance * normal.season_noise_ratio(c, variance, times.block)


def moves(
    c: int, readings: Readings, seasonal: Float64s, bands: Bands, *, first: Int64s, row_start: Int64s, levels: Any
) -> np.ndarray:  # fmt: skip
    """[R] of `MOVED`: what epochs' ends moved, from row `first` of each vehicle on.

    Args:
        c: Index of the correction.
        readings: Of the rows.
        seasonal: [R] their season.
        bands: The family's.
        first: [V] rows to begin with.
        row_start: [V + 1].
        levels: [V] of the recalibration's `LEVEL`, as they stand before `first`; brought to the last row.
    """
    moved = np.zeros((len(seasonal), 3))
    known = recalibration.Known(levels, bands.shifts[c], bands.carried[c], bands.shared)
    rows = unmoved_rows(readings, seasonal, readings.times.depot)
    recalibration.run_rows(rows, recalibration.Model.of(c, bands.normal), known, first, row_start, moved)
    moved[:, 0] -= readings.recentred[:, 0]
    return moved.view(MOVED)[:, 0]


def unmoved_rows(readings: Readings, seasonal: Float64s, vehicle: Int32s) -> recalibration.Rows:
    """What the recalibration takes of readings and their season; `vehicle` [R] matters for whole weeks alone."""
    times = readings.times
    x: Float64s = readings.x - seasonal + readings.recentred[:, 1]
    return recalibration.Rows(
        x, times.week, vehicle, readings.epoch, readings.settled, times.change, times.block
    )  # fmt: skip


def filter_rows(readings: Readings, season_of_rows: tuple[Float64s, Float64s], moved: np.ndarray) -> Rows:
    """What the sequential test takes of readings, their season with its error variance, and what epochs' ends moved."""
    seasonal, variance = season_of_rows
    times = readings.times
    return Rows(
        value=readings.values, base=readings.anchor + seasonal, base_var=variance, scale=readings.scale,
        epoch=readings.epoch, joined=readings.joined,
        change=times.change, moved=moved, day=times.day, hours=readings.hours, block=times.block,
        coded=readings.coded, worked=readings.worked, stood=readings.stood, jumps=readings.jumps,
    )  # fmt: skip


def fault_limits(c: int, panel: Panel) -> tuple[float, float]:
    """Low and high limit of correction c; NaN: that side never faults, while the other one can."""
    low = panel.low_limit[c] if panel.measured_low[c] else np.nan
    return float(low), float(panel.high_limit[c] if panel.measured_high[c] else np.nan)


def health(c: int, panel: Panel, bands: Bands) -> Healthy:
    """What the sequential test takes of a family's bands and limits, of correction c."""
    normal = bands.normal
    step = float(np.nan_to_num(panel.resolution[c]))
    return Healthy(
        normal.noise(c), normal.tails[c], bands.threshold, bands.learn_hours[c], *fault_limits(c, panel), step
    )


def run_filter(
    rows: Rows, healthy: Healthy, *, first: Int64s, last: Int64s, series: np.ndarray, onsets: np.ndarray,
    output: Output, trace: np.ndarray = NO_TRACE, keep: bool = False,
) -> np.ndarray:  # fmt: skip
    """Run the test from row `first` to row `last` of each vehicle; the banks of onsets after it, in a larger array.

    Args:
        rows: Readings.
        healthy: What holds in health.
        first: [V].
        last: [V].
        series: [V] of the test's `SERIES`, brought to `last`.
        onsets: Banks of onsets before `first`.
        output: What it fills.
        trace: Steps of the filter, if wanted.
        keep: Whether the banks are wanted.
    """
    room, is_traced = empty_bank(len(first) if keep else 0), len(trace) > 0
    resumed = Resumed(first, last, series, onsets, room, np.zeros(1, dtype=BANK), is_traced)
    healthy = healthy._replace(tails=healthy.tails.view(TAIL)[:, 0])
    filled = run(rows, healthy, resumed, output, trace if is_traced else np.empty(1, dtype=STEP))
    return room[:filled]


def output_of(c: int, out: FamilyDrift) -> Output:
    """The rows of one correction that the test fills."""
    return Output(
        out.expected.T[c], out.deviation.T[c], out.slope.T[c], out.evidence.T[c], out.z.T[c],
        out.alarm.T[c], out.relearning.T[c],
    )  # fmt: skip
