"""What drift keeps at the end of a whole week, to go on from there; arrays in memory, no file.

A checkpoint holds for every series what the filter knows of it, for every vehicle what the season does, and numbers
that tell whether what it rests on is still as it was. Where it is not, a family is computed from its first reading.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipelines.bands.group_levels import GROUP, groups_of
from pipelines.bands.normal import WEEK, Normal, days, vehicle_of_row
from pipelines.bands.recalibration import LEVEL, SHIFT, blank_levels, changes, empty_ends
from pipelines.bands.scatter import SERIES_SCATTER, blank_scatter
from pipelines.bands.season import PEER, WEEKLY, blank_peers
from pipelines.digests import code_digest
from pipelines.drift.joined import JOINED
from pipelines.drift.onset_bank import empty_bank
from pipelines.drift.series import SERIES, blank_series
from pipelines.handover import Bools, Float64s, Int32s, Int64s, Panel
from pipelines.resume.drift_past import row_digests
from pipelines.resume.reset_checkpoint import ResetCheckpoint

STAGES = ("history", "standstill", "bands", "drift", "resume")  # whose code it rests on
# That a checkpoint lies back: what comes late by so much, or the next reading revises, replays nothing; judgement.
LATE_WEEKS = 2


Put = Callable[[str, np.ndarray], np.ndarray]  # makes of an array, which has a name of its own, an equal one that stays


def copied(_name: str, array: np.ndarray) -> np.ndarray:
    """A `Put` that keeps them in memory."""
    return array.copy()


@dataclass(frozen=True, kw_only=True)
class FamilyCheckpoint:
    """One family at the end of a week: C corrections, V vehicles, W weeks, D depots, N directions.

    week: how many weeks of the fleet's. rows: [V] how many rows it rests on. shared, own: [V] digests of them.
    terms: digest of limits and settings.
    settled_blocks: how many of the normal's blocks later readings leave as they are.
    changes: [T, 2] changes of calibration, from and to.
    scatter: [C, V] of `SERIES_SCATTER`. told: [rows, 3] what each vehicle's rows, one vehicle's after another's, say of
    its scatter.
    peers: [C, V]. known_groups: [C, G] of `GROUP`. group_levels: [C, W, G]. weeks: [C, W, D + 1].
    levels: [C, V]. shifts: [C, W, T]. carried: [C, W]. series: [C + N, V].
    ends: of each correction. onsets: of each correction and direction.
    turns: [N, V] how often a direction began anew. joined: of each direction, [n] of `JOINED`.
    """

    vehicles: tuple[str, ...]
    codes: tuple[str, ...]
    depots: tuple[str, ...]
    groups: tuple[str, ...]
    calibrations: tuple[str, ...]
    changes: Int32s
    week: int
    rows: Int64s
    shared: np.ndarray
    own: np.ndarray
    terms: str
    normal: Normal
    settled_blocks: int
    scatter: np.ndarray
    told: Float64s
    peers: np.ndarray
    known_groups: np.ndarray
    group_levels: Float64s
    weeks: np.ndarray
    levels: np.ndarray
    shifts: np.ndarray
    carried: Float64s
    series: np.ndarray
    ends: list[Float64s]
    onsets: list[np.ndarray]
    turns: Int32s
    joined: list[np.ndarray]


@dataclass(frozen=True, kw_only=True)
class Checkpoint:
    """All families at the end of the fleet's first `week` weeks.

    code: digest of the code. fleet_start: day since 1970 of the first reading. resets: what history goes on from.
    """

    code: str
    fleet_start: float
    week: int
    families: dict[str, FamilyCheckpoint]
    resets: ResetCheckpoint

    @property
    def until(self) -> float:
        """Day since 1970 before which all lies that it rests on."""
        return self.fleet_start + WEEK * self.week

    @property
    def fits(self) -> bool:
        """Whether the present code made it."""
        return self.code == code_digest(STAGES)

    def renews(self, kept: "Checkpoint | None") -> bool:
        """Whether it is of a later week than the one that its run went on from, or else of families that did not."""
        if kept is None or self.until != kept.until:
            return kept is None or self.until > kept.until
        return any(family is not kept.families.get(name) for name, family in self.families.items())


def weeks_to_keep(first: float, now: float) -> int:
    """How many whole weeks of a fleet's, from its first reading's day on, a checkpoint is of that is taken now."""
    return max(int((now - first) // WEEK) - LATE_WEEKS, 0)


@dataclass(frozen=True, kw_only=True)
class Start:
    """Where one family's run begins: [V] of the present panel.

    week: the first that is computed. first: row of each vehicle. carried: whether the row before it is known.
    place: [V kept] the vehicle's present index. goes_on: [V kept] whether its series go on; else they begin anew, in a
    season that stands. change: [T kept] present index of a change of calibration; -1: nobody has it, nor had by then.
    known: [V] how many rows of each vehicle lie before; their `row_digests`.
    """

    week: int
    first: Int64s
    carried: Bools
    place: Int64s
    goes_on: Bools
    change: Int64s
    known: tuple[Int64s, np.ndarray, np.ndarray]
    kept: FamilyCheckpoint | None

    @classmethod
    def blank(cls, panel: Panel) -> "Start":
        """From the first reading."""
        none = np.zeros(0, dtype=np.int64)
        first = panel.row_start[:-1].copy()
        known = np.zeros_like(first), np.zeros(len(first), dtype=np.uint64), np.zeros(len(first), dtype=np.uint64)
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

    def know_told(self, row_start: Int64s, told: Float64s) -> None:
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
        mine: np.ndarray = self.kept.joined[d][self.goes_on[self.kept.joined[d]["vehicle"]]].copy()
        mine["vehicle"] = self.place[mine["vehicle"]]
        return mine

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

    def know_shifts(self, c: int, shifts: np.ndarray, carried: Float64s) -> Float64s:
        """Fill the weeks [W, T] and [W] before the first computed one; the ends of epochs in them."""
        if not self.kept:
            return empty_ends()
        stands = self.change >= 0
        shifts[: self.week, self.change[stands]] = self.kept.shifts[c][:, stands]
        carried[: self.week] = self.kept.carried[c]
        return self.kept.ends[c]

    def know_groups(self, c: int, levels: Float64s, groups: Sequence[str]) -> np.ndarray:
        """Fill the weeks [W, G] before the first computed one; [G] of `GROUP`, what is known of them by then."""
        known = np.zeros(len(groups), dtype=GROUP)
        if self.kept:
            at = {group: place for place, group in enumerate(groups)}
            place = [at[group] for group in self.kept.groups]
            known[place] = self.kept.known_groups[c]
            levels[: self.week, place] = self.kept.group_levels[c]
        return known

    def know_weeks(self, c: int, weeks: np.ndarray, depots: Sequence[str]) -> None:
        """Fill the weeks [W, D + 1] before the first computed one; a new depot has been one that nobody was at."""
        if self.kept:
            nowhere = len(self.kept.depots)
            at = {depot: place for place, depot in enumerate(self.kept.depots)}
            weeks[: self.week] = self.kept.weeks[c][:, [*(at.get(depot, nowhere) for depot in depots), nowhere]]


def empty_checkpoint(
    panel: Panel, normal: Normal, settled: Bools, start: Start, *, week: int, until: float, terms: str,
    settled_blocks: int, directions: int,
) -> FamilyCheckpoint:  # fmt: skip
    """One to be filled on the way.

    Args:
        panel: The family's, whole.
        normal: What it learned.
        settled: [C, R] False while relearning.
        start: Where the run begins.
        week: How many weeks of the fleet's it is taken at the end of.
        until: The day when that is.
        terms: Digest of limits and settings.
        settled_blocks: How many blocks of the normal later readings leave as they are.
        directions: How many are followed.
    """
    rows = rows_until(panel, until)
    before, shared, own = start.known
    later = row_digests(panel, settled, panel.row_start[:-1] + before, panel.row_start[:-1] + rows)
    shape = (len(panel.codes), len(panel.vehicles))
    kinds, groups = changes(panel.calibration, panel.row_start)[1], groups_of(panel)[2]
    return FamilyCheckpoint(
        vehicles=panel.vehicles,
        codes=panel.codes,
        depots=panel.depots,
        groups=groups,
        calibrations=panel.calibrations,
        changes=kinds,
        week=week,
        rows=rows,
        shared=shared + later[0],
        own=own + later[1],
        terms=terms,
        normal=replace(normal, block=np.zeros(0, dtype=np.int32)),
        settled_blocks=settled_blocks,
        scatter=np.empty(shape, dtype=SERIES_SCATTER),
        told=np.empty((int(rows.sum()), 3)),
        peers=np.empty(shape, dtype=PEER),
        known_groups=np.empty((shape[0], len(groups)), dtype=GROUP),
        group_levels=np.empty((shape[0], week, len(groups))),
        weeks=np.empty((shape[0], week, len(panel.depots) + 1), dtype=WEEKLY),
        levels=np.empty(shape, dtype=LEVEL),
        shifts=np.empty((shape[0], week, len(kinds)), dtype=SHIFT),
        carried=np.empty((shape[0], week)),
        ends=[empty_ends()] * shape[0],
        series=np.empty((shape[0] + directions, shape[1]), dtype=SERIES),
        onsets=[empty_bank(0)] * (shape[0] + directions),
        turns=np.zeros((directions, shape[1]), dtype=np.int32),
        joined=[np.zeros(0, dtype=JOINED)] * directions,
    )


def rows_until(panel: Panel, until: float) -> Int64s:
    """[V] how many rows of each vehicle lie before the day `until`."""
    return np.bincount(vehicle_of_row(panel)[days(panel) < until], minlength=len(panel.vehicles)).astype(np.int64)


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
        known=(rows, shared, own),
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
