"""What one family's run needs, what it fills, and the rows that it computes: named records, no computing."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipelines.bands import season
from pipelines.bands.band_tables import Bands
from pipelines.bands.normal import vehicle_of_row
from pipelines.drift.directions import Direction
from pipelines.drift.harm import CHANGED
from pipelines.drift.onset_posterior import OpenAlarm
from pipelines.drift.readings import Stretch, Times, VehicleScatter
from pipelines.drift.series import JOINED
from pipelines.handover import Bools, FamilyDrift, Float64s, Int32s, Int64s, Panel
from pipelines.resume.drift_start import Start
from pipelines.resume.legs import Leg


@dataclass(frozen=True, kw_only=True)
class Span:
    """The rows that are computed, and before them each vehicle's last that is known; row numbers in `panel`, [V].

    panel: These rows alone. stretch: where they are in the whole panel. vehicle: [R] index. begin: where the vehicle's
    rows of the whole panel would begin. first: to compute. last: one behind the vehicle's.
    """

    panel: Panel
    stretch: Stretch
    vehicle: Int32s
    begin: Int64s
    first: Int64s
    last: Int64s

    @classmethod
    def of(cls, panel: Panel, start: Start, times: Times) -> "Span":
        """From `start` on; `times` of all rows of the panel."""
        stretch = Stretch.of(panel, start.first - start.carried, times)
        shift = stretch.row_start[:-1] - stretch.begin
        rows = _rows_of(panel, stretch)
        return cls(
            panel=rows,
            stretch=stretch,
            vehicle=vehicle_of_row(rows),
            begin=panel.row_start[:-1] + shift,
            first=start.first + shift,
            last=stretch.row_start[1:],
        )


def _rows_of(panel: Panel, stretch: Stretch) -> Panel:
    by_row = {name: getattr(panel, name)[stretch.rows] for name in ("read_at", "hours", "km", "depot", "calibration")}
    by_code = {name: getattr(panel, name).T[:, stretch.rows].T for name in ("values", "epoch")}
    return replace(panel, row_start=stretch.row_start, **by_row, **by_code)


@dataclass(frozen=True, kw_only=True)
class FamilyRun:
    """What a family's run needs and what it fills: `drift`, weeks of `bands`, and what `legs` keep.

    settled: [C, R] False while relearning. vehicle_scatter: at the panel's rows. by_cell, by_week: the span's rows by
    week and depot, and by week alone, from the first computed week on; and the first of each. open_alarms: those at the
    last readings. changed: [C, V] of `CHANGED`, then. directions: in which corrections move together. joined: [n] of
    `JOINED`; and the panel says of it what readings take.
    """

    panel: Panel
    bands: Bands
    times: Times
    start: Start
    span: Span
    legs: Sequence[Leg]
    settled: Bools
    vehicle_scatter: VehicleScatter
    by_cell: season.Order
    by_week: season.Order
    drift: FamilyDrift
    directions: Sequence[Direction]
    joined: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=JOINED))
    open_alarms: tuple[OpenAlarm, ...] = ()
    changed: np.ndarray = field(default_factory=lambda: np.zeros((0, 0), dtype=CHANGED))

    @property
    def newest_sigma(self) -> Float64s:
        """[C, V] sd of each series' healthy noise at its vehicle's newest reading."""
        last = self.span.panel.row_start[1:] - 1
        sigma: Float64s = self.bands.normal.sigma[:, self.span.stretch.times.block[last]] * self.drift.scale.T[:, last]
        return sigma
