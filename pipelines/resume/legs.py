"""Legs of a family's run: what is computed in one go, and what is kept where the next run may go on; arrays only."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipelines.handover import Float64s, Int64s
from pipelines.resume.drift_checkpoint import FamilyCheckpoint, Put


@dataclass(frozen=True, kw_only=True)
class Leg:
    """Rows and weeks from `first` up to `last`; rows [V] are those of the run's span.

    checkpoint: Filled by `keep_...` with what is known at the end of the leg; None: none is taken there. put: takes the
    onsets. family: its name.
    """

    first: Int64s
    last: Int64s
    first_week: int
    last_week: int
    family: str
    checkpoint: FamilyCheckpoint | None
    put: Put

    @property
    def is_kept(self) -> bool:
        """Whether anything is kept at its end."""
        return self.checkpoint is not None

    def keep_scatter(self, c: int, series: np.ndarray) -> None:
        """[V] of `SERIES_SCATTER` of one correction."""
        if self.checkpoint:
            self.checkpoint.scatter[c] = series

    def keep_told(self, row_start: Int64s, told: Float64s) -> None:
        """[R, 3] what each row of the whole panel says of its vehicle's scatter."""
        if self.checkpoint:
            until = np.repeat(row_start[:-1] + self.checkpoint.rows, np.diff(row_start))
            self.checkpoint.told[:] = told[np.arange(len(told)) < until]

    def keep_weeks(self, c: int, peers: Any, known: Any, *, weeks: np.ndarray, levels: Float64s) -> None:
        """[V] of the season's `PEER`, [G] of `GROUP`, and weeks [W, D + 1] and levels [W, G] up to the leg's last."""
        if self.checkpoint:
            self.checkpoint.peers[c], self.checkpoint.known_groups[c] = peers, known
            self.checkpoint.weeks[c] = weeks[: self.last_week]
            self.checkpoint.group_levels[c] = levels[: self.last_week]

    def keep_shifts(self, c: int, levels: Any, ends: Float64s, *, shifts: np.ndarray, carried: Float64s) -> None:
        """[V] of the recalibration's `LEVEL`, ends of epochs, and shifts [W, T] and [W] up to the leg's last week."""
        if self.checkpoint:
            self.checkpoint.levels[c], self.checkpoint.ends[c] = levels, ends
            self.checkpoint.shifts[c] = shifts[: self.last_week]
            self.checkpoint.carried[c] = carried[: self.last_week]

    def keep_series(self, place: int, of: str, series: np.ndarray, onsets: np.ndarray) -> None:
        """[V] of the test's `SERIES`, and their onsets, of what has this place and name."""
        if self.checkpoint:
            self.checkpoint.series[place] = series
            self.checkpoint.onsets[place] = self.put(f"onsets of {self.family}, {of}", onsets)

    def keep_direction(self, d: int, turns: Int64s, joined: np.ndarray) -> None:
        """[V] how often direction d began anew, and [n] of `JOINED` of all rows."""
        if self.checkpoint:
            self.checkpoint.turns[d] = turns
            self.checkpoint.joined[d] = joined[joined["row"] < self.checkpoint.rows[joined["vehicle"]]]


def legs_of(
    family: str, *, first: Int64s, last: Int64s, rows_before: Int64s, weeks: tuple[int, int],
    taken: FamilyCheckpoint | None, put: Put,
) -> Sequence[Leg]:  # fmt: skip
    """The whole run in one leg; in two where a checkpoint is taken between them.

    Args:
        family: Its name.
        first: [V] rows of the span to begin with.
        last: [V] rows to stop at.
        rows_before: [V] row of the span at which each vehicle's own rows begin, be it before the span's first.
        weeks: The first to compute, and how many there are.
        taken: The checkpoint to fill on the way; None: none is wanted.
        put: Takes its onsets.
    """

    def leg(rows: tuple[Int64s, Int64s], weeks: tuple[int, int], checkpoint: FamilyCheckpoint | None) -> Leg:
        return Leg(
            first=rows[0], last=rows[1], first_week=weeks[0], last_week=weeks[1], family=family,
            checkpoint=checkpoint, put=put,
        )  # fmt: skip

    if taken is None:
        return (leg((first, last), weeks, None),)
    cut = rows_before + taken.rows
    return leg((first, cut), (weeks[0], taken.week), taken), leg((cut, last), (taken.week, weeks[1]), None)
