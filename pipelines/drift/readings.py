"""One correction's readings as season and filter take them, and both run over any of their rows; arrays only."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipelines.bands import recalibration, season
from pipelines.bands.kept import Bands
from pipelines.bands.normal import WEEK, Normal, days
from pipelines.bands.standing import held_at, learned
from pipelines.drift import filter as sequential
from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Int32s, Int64s, Panel

NO_TRACE = np.empty((0, 6))


@dataclass(frozen=True, kw_only=True)
class Times:
    """What the rows of a panel have in common for all corrections; [R].

    day: since 1970. week: since the fleet's first reading. block: of the normal. change: index of the vehicle's last
    change of calibration; -1: none so far.
    """

    day: Float64s
    week: Int64s
    block: Int32s
    depot: Int32s
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
    the reading.
    """

    values: Float32s
    anchor: Float64s
    recentred: Float64s
    epoch: Int32s
    settled: Bools
    hours: Float64s
    scale: Float64s
    times: Times

    def at(self, rows: slice | Int64s) -> "Readings":
        """These rows alone."""
        mine = {name: value[rows] for name, value in vars(self).items() if name != "times"}
        return Readings(**mine, times=self.times.at(rows))

    @property
    def x(self) -> Float64s:
        """[R] readings minus centre and ageing."""
        x: Float64s = self.values - self.anchor
        return x


def readings_of(c: int, panel: Panel, normal: Normal, stretch: Stretch, settled: Bools) -> Readings:
    """One correction's at the rows of a stretch; `settled` [R] is False while it relearns."""
    low, high = held_at(panel)
    whole = panel.row_start, stretch.begin, normal.block
    values, hours = learned(panel.values.T[c], panel.hours, *whole, normal.stands_from[c], low[c], high[c])
    anchor, recentred = season.anchors(*whole, panel.calibration, normal.centre[c], normal.ageing[c], panel.km)
    return Readings(
        values=values,
        anchor=anchor,
        recentred=recentred,
        epoch=np.ascontiguousarray(panel.epoch.T[c, stretch.rows]),
        settled=settled[stretch.rows],
        hours=hours,
        scale=np.ones(len(values)),
        times=stretch.times,
    )


def seasons(
    c: int, readings: Readings, normal: Normal, *, first: Int64s, row_start: Int64s, peers: Any, weeks: Any
) -> tuple[Float64s, Float64s]:  # fmt: skip
    """[R], [R] the season and its error variance, in worth of readings' noise, from row `first` of each vehicle on.

    Args:
        c: Index of the correction.
        readings: Of the rows.
        normal: The family's.
        first: [V] rows to begin with.
        row_start: [V + 1].
        peers: [V] of the season's `PEER`, as they stand before `first`.
        weeks: [1 or V, W, D] of the season's `WEEKLY`.
    """
    times = readings.times
    seasonal = weeks["season"][0, np.minimum(times.week, weeks.shape[1] - 1), times.depot]
    variance = np.zeros(len(seasonal))
    season.run_rows(
        readings.x, first, row_start, times.week, times.depot, readings.epoch, readings.settled, times.block,
        normal.weekly_noise(c), normal.offset_sd[c] ** 2, peers, weeks, seasonal, variance,
    )  # fmt: skip
    return seasonal, variance * normal.season_worth(c, variance, times.block)


def moves(
    c: int, readings: Readings, seasonal: Float64s, bands: Bands, *, first: Int64s, row_start: Int64s, levels: Any
) -> Float64s:  # fmt: skip
    """[R, 3] what epochs' ends moved, as the filter takes it, from row `first` of each vehicle on.

    Args:
        c: Index of the correction.
        readings: Of the rows.
        seasonal: [R] their season.
        bands: The family's.
        first: [V] rows to begin with.
        row_start: [V + 1].
        levels: [V] of the recalibration's `LEVEL`, as they stand before `first`; brought to the last row.
    """
    times, normal = readings.times, bands.normal
    moved = np.zeros((len(seasonal), 3))
    recalibration.run_rows(
        unmoved(readings, seasonal), first, row_start, times.week, readings.epoch, readings.settled, times.change,
        times.block, normal.weekly_noise(c), normal.offset_sd[c] ** 2, levels, bands.shifts[c], bands.carried[c], moved,
    )  # fmt: skip
    moved[:, 0] -= readings.recentred[:, 0]
    return moved


def unmoved(readings: Readings, seasonal: Float64s) -> Float64s:
    """[R] readings minus season, ageing and the centre of the vehicle's first calibration."""
    x: Float64s = readings.x - seasonal + readings.recentred[:, 1]
    return x


def sift(
    c: int,
    readings: Readings,
    bands: Bands,
    season_of_rows: tuple[Float64s, Float64s],
    moved: Float64s,
    *,
    first: Int64s,
    last: Int64s,
    series: Any,
    onsets: Float64s,
    outputs: tuple[Any, ...],
    trace: Float64s = NO_TRACE,
    keep: bool = False,
) -> Float64s:
    """Run the filter from row `first` to row `last` of each vehicle; the banks of onsets after it, in a larger array.

    Args:
        c: Index of the correction.
        readings: Of the rows.
        bands: The family's.
        season_of_rows: [R], [R] season and its error variance.
        moved: [R, 3] what epochs' ends moved.
        first: [V].
        last: [V].
        series: [V] of the filter's `SERIES`, brought to `last`.
        onsets: Banks of onsets before `first`.
        outputs: The six rows it fills.
        trace: Steps of the filter, if wanted.
        keep: Whether the banks are wanted.
    """
    seasonal, variance = season_of_rows
    normal, times = bands.normal, readings.times
    room = sequential.empty_bank(len(first) if keep else 0)
    filled = sequential.run(  # type: ignore[call-arg]
        readings.values, readings.anchor + seasonal, variance, readings.scale,
        readings.epoch, times.change, moved, first, last,
        times.day, readings.hours, times.block, normal.model(c), normal.tails[c], bands.learn_hours[c],
        bands.threshold, series, onsets, *outputs, trace, room,
    )  # fmt: skip
    return room[:filled]


def output_rows(c: int, out: FamilyDrift) -> tuple[Any, ...]:
    """The six rows of one correction that the filter fills."""
    return (
        out.expected.T[c], out.deviation.T[c], out.slope.T[c], out.evidence.T[c], out.alarm.T[c], out.relearning.T[c],
    )  # fmt: skip
