"""Where one family's run begins: each vehicle's first row to compute, and what was known of it before; arrays only."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipelines.bands.group_levels import GROUP, groups_of
from pipelines.bands.normal import Normal
from pipelines.bands.recalibration import blank_levels, changes, empty_ends
from pipelines.bands.scatter import blank_scatter
from pipelines.bands.season import blank_peers
from pipelines.drift.onset_bank import empty_bank
from pipelines.drift.series import JOINED, blank_series
from pipelines.handover import Bools, Float64s, Int32s, Int64s, Panel
from pipelines.resume.drift_checkpoint import FamilyCheckpoint, KnownRows, rows_until
from pipelines.resume.drift_past import row_digests


@dataclass(frozen=True, kw_only=True)
class Start:
    """Where one family's run begins: [V] of the present panel.

    week: the first that is computed. first: row of each vehicle. carried: whether the row before it is known.
    place: [V kept] the vehicle's present index. goes_on: [V kept] whether its series go on; else they begin anew, in a
    season that stands. change: [T kept] present index of a change of calibration; -1: nobody has it, nor had by then.
    known: the rows that lie before.
    """

    week: int
    first: Int64s
    carried: Bools
    place: Int64s
    goes_on: Bools
    change: Int64s
    known: KnownRows
    kept: FamilyCheckpoint | None

    @classmethod
    def blank(cls, panel: Panel) -> "Start":
        """From the first reading."""
        none = np.zeros(0, dtype=np.int64)
        first = panel.row_start[:-1].copy()
        digests = np.zeros(len(first), dtype=np.uint64)
        known = KnownRows(np.zeros_like(first), digests, digests.copy())
        return cls(
            week=0, first=first, carried=first < 0, place=none, goes_on=none > 0, change=none, known=known, kept=None
        )

    def peers(self, c: int) -> tuple[Any, Any]:
        """[V], [V] of the season's `PEER`: before the first computed week, and before each vehicle's first row."""
        if not self.kept:
            return blank_peers(len(self.first)), blank_peers(len(self.first))
        return self._all_placed(self.kept.peers[c], blank_peers), self._placed(self.kept.peers[c], blank_peers)

    def scatter(self, c: int) -> Any:
        """[V] of `SERIES_SCATTER`, before each vehicle's first row."""
        return self._placed(self.kept.scatter[c], blank_scatter) if self.kept else blank_scatter(len(self.first))

    def fill_told(self, row_start: Int64s, told: Float64s) -> None:
        """Fill what the rows [R, 3] of vehicles that go on say of their scatter."""
        if self.kept:
            rows = self.kept.rows
            where = np.repeat(row_start[self.place] - np.append(0, np.cumsum(rows))[:-1], rows) + np.arange(rows.sum())
            goes_on = np.repeat(self.goes_on, rows)
            told[where[goes_on]] = self.kept.told[goes_on]

    def turns(self, d: int) -> Int32s:
        """[V] how often direction d began anew before each vehicle's first row."""
        if not self.kept:
            return np.zeros(len(self.first), dtype=np.int32)
        turns: Int32s = self._placed(self.kept.turns[d], lambda count: np.zeros(count, dtype=np.int32))
        return turns

    def joined(self, d: int) -> np.ndarray:
        """[n] of `JOINED`, what direction d said before each vehicle's first row."""
        if not self.kept:
            return np.zeros(0, dtype=JOINED)
        earlier: np.ndarray = self.kept.joined[d][self.goes_on[self.kept.joined[d]["vehicle"]]].copy()
        earlier["vehicle"] = self.place[earlier["vehicle"]]
        return earlier

    def series(self, c: int) -> tuple[Any, np.ndarray]:
        """[V] of the test's `SERIES`, and their onsets, before each vehicle's first row; directions come last."""
        if not self.kept:
            return blank_series(len(self.first)), empty_bank(0)
        kept, onsets = self.kept.series[c], self.kept.onsets[c]
        if not self.goes_on.all():
            onsets = onsets[np.repeat(self.goes_on, kept["onsets"])]
        series = self._placed(kept, blank_series)
        series["change"] = self._present(series["change"])
        return series, onsets

    def levels(self, c: int) -> tuple[Any, Any]:
        """[V], [V] of the recalibration's `LEVEL`: before the first computed week, and before each vehicle's row."""
        if not self.kept:
            return blank_levels(len(self.first)), blank_levels(len(self.first))
        ours, own = (place(self.kept.levels[c], blank_levels) for place in (self._all_placed, self._placed))
        for levels in (ours, own):
            levels["change"] = self._present(levels["change"])
        return ours, own

    def _all_placed(self, kept: np.ndarray, blank: Callable[[int], np.ndarray]) -> np.ndarray:
        """[V] what was kept of each vehicle, whether its series go on or not; a new one's is blank."""
        if np.array_equal(self.place, np.arange(len(self.first))):
            return kept.copy()
        placed = blank(len(self.first))
        placed[self.place] = kept
        return placed

    def _placed(self, kept: np.ndarray, blank: Callable[[int], np.ndarray]) -> np.ndarray:
        """[V] what was kept of each vehicle whose series go on; any other's is blank."""
        placed = self._all_placed(kept, blank)
        if not self.goes_on.all():
            placed[self.place[~self.goes_on]] = blank(1)
        return placed

    def _present(self, change: Int32s) -> Int32s:
        """Changes of calibration of the checkpoint as they are counted now; below 0: none."""
        return np.where(change < 0, change, np.append(self.change, 0)[np.maximum(change, 0)]).astype(np.int32)

    def fill_shifts(self, c: int, shifts: np.ndarray, carried: Float64s) -> Float64s:
        """Fill the weeks [W, T] and [W] before the first computed one; the ends of epochs in them."""
        if not self.kept:
            return empty_ends()
        stands = self.change >= 0
        shifts[: self.week, self.change[stands]] = self.kept.shifts[c][:, stands]
        carried[: self.week] = self.kept.carried[c]
        return self.kept.ends[c]

    def fill_groups(self, c: int, levels: Float64s, groups: Sequence[str]) -> np.ndarray:
        """Fill the weeks [W, G] before the first computed one; [G] of `GROUP`, what is known of them by then."""
        known = np.zeros(len(groups), dtype=GROUP)
        if self.kept:
            at = {group: place for place, group in enumerate(groups)}
            place = [at[group] for group in self.kept.groups]
            known[place] = self.kept.known_groups[c]
            levels[: self.week, place] = self.kept.group_levels[c]
        return known

    def fill_weeks(self, c: int, weeks: np.ndarray, depots: Sequence[str]) -> None:
        """Fill the weeks [W, D + 1] before the first computed one; a new depot has been one that nobody was at."""
        if self.kept:
            nowhere = len(self.kept.depots)
            at = {depot: place for place, depot in enumerate(self.kept.depots)}
            weeks[: self.week] = self.kept.weeks[c][:, [*(at.get(depot, nowhere) for depot in depots), nowhere]]


def start_of(panel: Panel, kept: FamilyCheckpoint, settled: Bools, *, until: float, terms: str) -> Start | None:
    """Where the family can go on; None: what the checkpoint rests on is not as it was.

    Args:
        panel: The family's, whole.
        kept: What was kept of it.
        settled: [C, R] False while relearning.
        until: The day when that was.
        terms: Digest of the present limits and settings.
    """
    if kept.terms != terms or kept.codes != panel.codes or not set(kept.depots) <= set(panel.depots):
        return None
    if not set(kept.groups) <= set(groups_of(panel)[2]):
        return None
    present = {vehicle: index for index, vehicle in enumerate(panel.vehicles)}
    calibrations = {name: index for index, name in enumerate(panel.calibrations)}
    if not (set(kept.vehicles) <= set(present) and set(kept.calibrations) <= set(calibrations)):
        return None
    place = np.array([present[vehicle] for vehicle in kept.vehicles])
    rows = np.zeros(len(panel.vehicles), dtype=np.int64)
    rows[place] = kept.rows
    if not np.array_equal(rows, rows_until(panel, until)):
        return None
    first = panel.row_start[:-1] + rows
    shared, own = row_digests(panel, settled, panel.row_start[:-1], first)
    if not np.array_equal(shared[place], kept.shared):
        return None
    goes_on = own[place] == kept.own
    first[place[~goes_on]] = panel.row_start[place[~goes_on]]
    present_changes = {tuple(pair): index for index, pair in enumerate(changes(panel.calibration, panel.row_start)[1])}
    names = np.array([calibrations[name] for name in kept.calibrations])
    return Start(
        week=kept.week,
        first=first,
        carried=first > panel.row_start[:-1],
        place=place,
        goes_on=goes_on,
        change=np.array([present_changes.get(tuple(names[pair]), -1) for pair in kept.changes], dtype=np.int64),
        known=KnownRows(rows, shared, own),
        kept=kept,
    )


def known_normal(kept: FamilyCheckpoint, panel: Panel, blocks: int) -> Normal:
    """The first blocks of what was learned, for the present panel's calibrations."""
    nobody = len(kept.calibrations)
    at = {name: place for place, name in enumerate(kept.calibrations)}
    columns = [*(at.get(name, nobody) for name in panel.calibrations), nobody]
    normal = kept.normal.first_blocks(blocks)
    return replace(normal, centre=normal.centre[:, :, columns])


def still_normal(start: Start, panel: Panel, normal: Normal, until: float) -> bool:
    """Whether what was learned for the blocks that began before the day `until` is what was learned then."""
    if start.kept is None:
        return True
    blocks = int(np.sum(normal.starts < until))
    before, now = known_normal(start.kept, panel, blocks).by_block(), normal.first_blocks(blocks).by_block()
    return all(np.array_equal(before[name], now[name], equal_nan=before[name].dtype.kind == "f") for name in now)
