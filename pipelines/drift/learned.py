"""What the stages bands and drift learned of some vehicles, laid out for others of the same families; arrays only."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipelines.bands.band_tables import Bands
from pipelines.bands.group_levels import groups_of
from pipelines.bands.normal import WEEK, days
from pipelines.bands.recalibration import SHIFT, changes
from pipelines.drift.directions import Direction
from pipelines.handover import Float64s, Int64s, Panel


@dataclass(frozen=True, kw_only=True)
class FamilyLearned:
    """Of one family: its bands, the names that their arrays go by, and the directions that are followed.

    repeats: [C, 2] as `states.repeats_of` says.
    """

    codes: tuple[str, ...]
    depots: tuple[str, ...]
    calibrations: tuple[str, ...]
    bands: Bands
    directions: tuple[Direction, ...]
    repeats: Float64s

    @classmethod
    def of(cls, panel: Panel, bands: Bands, directions: Sequence[Direction], repeats: Float64s) -> "FamilyLearned":
        """After the family's run; without what belongs to its rows."""
        normal = replace(bands.normal, block=np.zeros(0, dtype=np.int32))
        return cls(
            codes=panel.codes,
            depots=panel.depots,
            calibrations=panel.calibrations,
            bands=replace(bands, normal=normal),
            directions=tuple(directions),
            repeats=repeats,
        )

    def bands_for(self, panel: Panel) -> Bands:
        """The bands in the order of another panel of the family, with the same corrections.

        A calibration, a change to it, a depot or a duty that nobody was at whose readings taught them is as new as it
        was to the family: its centre is that of all, it moved nothing that is known, its season is the family's. After
        the last week that was learned, what held then goes on.

        Raises:
            ValueError: other corrections.
        """
        if panel.codes != self.codes:
            raise ValueError(f"{panel.family}: learned of other corrections")
        known, normal, day = self.bands, self.bands.normal, days(panel)
        learned = known.weeks.shape[1]
        week = np.arange(max(int((day.max() - known.start) // WEEK) + 1, 1))
        of_week = np.minimum(week, learned - 1)
        depot = np.append(_places(panel.depots, self.depots), -1)
        weeks = np.take(np.take(known.weeks, of_week, axis=1), depot, axis=2)
        weeks["weight"][:, learned:] = 0.0
        group, names = _places(groups_of(panel)[2], known.groups), groups_of(panel)[2]
        levels = np.concatenate([known.levels, np.zeros_like(known.levels[:, :, :1])], axis=2)
        levels = np.take(np.take(levels, of_week, axis=1), group, axis=2)
        kinds = changes(panel.calibration, panel.row_start)[1]
        return replace(
            known,
            normal=replace(
                normal,
                block=np.maximum(np.searchsorted(normal.starts, day, side="right") - 1, 0).astype(np.int32),
                centre=np.take(normal.centre, np.append(_places(panel.calibrations, self.calibrations), -1), axis=2),
            ),
            weeks=weeks,
            groups=names,
            levels=np.nan_to_num(levels),  # a group that nobody was at yet lies where its family does
            changes=kinds,
            shifts=self._shifts(kinds, panel, of_week),
            carried=np.take(known.carried, of_week, axis=1),
            shared=False,
        )

    def _shifts(self, kinds: np.ndarray, panel: Panel, of_week: Int64s) -> np.ndarray:
        """[C, W, T] of `SHIFT` for the panel's changes of calibration."""
        place = {(self.calibrations[old], self.calibrations[new]): t for t, (old, new) in enumerate(self.bands.changes)}
        shifts = np.zeros((len(self.codes), len(of_week), len(kinds)), dtype=SHIFT)
        for t, (old, new) in enumerate(kinds):
            known = place.get((panel.calibrations[old], panel.calibrations[new]))
            if known is not None:
                shifts[:, :, t] = self.bands.shifts[:, of_week, known]
        return shifts


@dataclass(frozen=True, kw_only=True)
class Learned:
    """What holds for vehicles that it was not learned of, too.

    families: By name. shares: Logs, of the laws of growth. moved: Depots that moved as a whole, rows of `MOVED`.
    """

    families: Mapping[str, FamilyLearned]
    shares: Float64s
    moved: pl.DataFrame


def _places(names: Sequence[str], known: Sequence[str]) -> Int64s:
    """Where each name stands among those known; -1, the last: for what nobody knew."""
    place = {name: index for index, name in enumerate(known)}
    return np.array([place.get(name, -1) for name in names], dtype=np.int64)
