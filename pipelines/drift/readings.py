"""One correction's readings as season and filter take them, and both run over any of their rows; arrays only."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipelines.bands import season
from pipelines.bands.kept import Bands
from pipelines.bands.normal import WEEK, Normal, days
from pipelines.bands.standing import held_at, learning_hours, repeats
from pipelines.drift import filter as sequential
from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Int32s, Int64s, Panel

NO_TRACE = np.empty((0, 6))


@dataclass(frozen=True, kw_only=True)
class Times:
    """What the rows of a panel have in common for all corrections; [R].

    day: since 1970. week: since the fleet's first reading. block: of the normal.
    """

    day: Float64s
    week: Int64s
    block: Int32s
    depot: Int32s
    calibration: Int32s

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
        )


@dataclass(frozen=True, kw_only=True)
class Readings:
    """One correction at some rows; [R].

    values: NaN: not read, or not learned since the reading before. anchor: centre with ageing. epoch: of learning.
    hours: run in which something was learned.
    """

    values: Float32s
    anchor: Float64s
    epoch: Int32s
    hours: Float64s
    times: Times

    def at(self, rows: slice | Int64s) -> "Readings":
        """These rows alone."""
        times = Times(**{name: value[rows] for name, value in vars(self.times).items()})
        mine = {name: value[rows] for name, value in vars(self).items() if name != "times"}
        return Readings(**mine, times=times)

    @property
    def x(self) -> Float64s:
        """[R] readings minus centre and ageing."""
        x: Float64s = self.values - self.anchor
        return x


def readings_of(c: int, panel: Panel, normal: Normal, times: Times) -> Readings:
    """All rows of one correction."""
    values, epoch = np.ascontiguousarray(panel.values[:, c]), np.ascontiguousarray(panel.epoch[:, c])
    standing = _standing(c, values, epoch, panel, normal)
    return Readings(
        values=np.where(standing, np.float32(np.nan), values),
        anchor=season.anchors(
            panel.row_start, normal.block, panel.calibration, normal.centre[c], normal.ageing[c], panel.km
        ),
        epoch=epoch,
        hours=learning_hours(panel.hours, standing, panel.row_start),
        times=times,
    )


def _standing(c: int, values: Float32s, epoch: Int32s, panel: Panel, normal: Normal) -> Bools:
    """[R] readings that were not learned since the one before."""
    low, high = held_at(panel)
    stands = normal.may_stand[c, normal.block]
    standing: Bools = repeats(values, epoch, panel.row_start, stands, low[c], high[c])
    return standing


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
        readings.x, first, row_start, times.week, times.depot, readings.epoch, times.block, normal.weekly_noise(c),
        normal.offset_sd[c] ** 2, peers, weeks, seasonal, variance,
    )  # fmt: skip
    return seasonal, variance * normal.season_worth(c, variance, times.block)


def sift(
    c: int,
    readings: Readings,
    bands: Bands,
    season_of_rows: tuple[Float64s, Float64s],
    *,
    first: Int64s,
    last: Int64s,
    series: Any,
    onsets: Float64s,
    outputs: tuple[Any, ...],
    trace: Float64s = NO_TRACE,
) -> Float64s:
    """Run the filter from row `first` to row `last` of each vehicle; the banks of onsets after it, in a larger array.

    Args:
        c: Index of the correction.
        readings: Of the rows.
        bands: The family's.
        season_of_rows: [R], [R] season and its error variance.
        first: [V].
        last: [V].
        series: [V] of the filter's `SERIES`, brought to `last`.
        onsets: Banks of onsets before `first`.
        outputs: The six rows it fills.
        trace: Steps of the filter, if wanted.
    """
    seasonal, variance = season_of_rows
    normal, times = bands.normal, readings.times
    room = sequential.empty_bank(len(first))
    filled = sequential.run(  # type: ignore[call-arg]
        readings.values, readings.anchor + seasonal, variance, readings.epoch, times.calibration, first, last,
        times.day, readings.hours, times.block, normal.model(c), normal.tails[c], bands.learn_hours[c],
        bands.threshold, series, onsets, *outputs, trace, room,
    )  # fmt: skip
    return room[:filled]


def output_rows(c: int, out: FamilyDrift) -> tuple[Any, ...]:
    """The six rows of one correction that the filter fills."""
    return (
        out.expected.T[c], out.deviation.T[c], out.slope.T[c], out.evidence.T[c], out.alarm.T[c], out.relearning.T[c],
    )  # fmt: skip
