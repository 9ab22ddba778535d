"""What drift keeps at the end of a whole week, to go on from there; arrays in memory, no file.

A checkpoint holds for every series what the filter knows of it, for every vehicle what the season does, and numbers
that tell whether what it rests on is still as it was. Where it is not, a family is computed from its first reading.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from pipelines.bands.group_levels import GROUP, groups_of
from pipelines.bands.normal import WEEK, Normal, days, vehicle_of_row
from pipelines.bands.recalibration import LEVEL, SHIFT, changes, empty_ends
from pipelines.bands.scatter import SERIES_SCATTER
from pipelines.bands.season import PEER, WEEKLY
from pipelines.digests import code_digest
from pipelines.drift.onset_bank import empty_bank
from pipelines.drift.series import JOINED, SERIES
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


class KnownRows(NamedTuple):
    """[V] how many rows of each vehicle an earlier run knows, and their `row_digests`."""

    rows: Int64s
    shared: np.ndarray
    own: np.ndarray


def empty_checkpoint(
    panel: Panel, normal: Normal, settled: Bools, known: KnownRows, *, week: int, until: float, terms: str,
    settled_blocks: int, directions: int,
) -> FamilyCheckpoint:  # fmt: skip
    """One to be filled on the way.

    Args:
        panel: The family's, whole.
        normal: What it learned.
        settled: [C, R] False while relearning.
        known: The rows that an earlier run knows.
        week: How many weeks of the fleet's it is taken at the end of.
        until: The day when that is.
        terms: Digest of limits and settings.
        settled_blocks: How many blocks of the normal later readings leave as they are.
        directions: How many are followed.
    """
    rows = rows_until(panel, until)
    later = row_digests(panel, settled, panel.row_start[:-1] + known.rows, panel.row_start[:-1] + rows)
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
        shared=known.shared + later[0],
        own=known.own + later[1],
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
