"""Readings around one piece of work: what was off before it, how much of that is left after it, and since when."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Int64s, Times

ENOUGH_HOURS = 40.0  # ignition-on hours after which an outcome is decided
ENOUGH_READINGS = 4
ENOUGH_DAYS = 28.0  # instead of hours where the module's clock is not read (judgement)
MOST_NAMED = 6  # corrections that decide, those that were off most
OFF = 2.5  # healthy scatters from which a correction counts as off before the work
STILL = 0.5  # share of the earlier departure that counts as there (again)
USUAL_READINGS = 8  # newest ones by which it is told how often and how much a vehicle is used (judgement)


@dataclass(frozen=True, kw_only=True)
class Around:
    """The corrections in question before and after one piece of work, weighted by how far they were off before."""

    readings: int  # after the work
    hours: float  # ignition-on, since the work; NaN: not known
    days: float
    last_at: datetime | None
    enough_at: datetime | None  # first reading from which it can be decided; None: none yet
    expected_at: datetime | None  # when that reading is expected, as the vehicle is used; None: decided, or not told
    asked: int  # corrections that could tell
    named: tuple[str, ...]  # corrections that were off before, most first
    before: float  # their departure, healthy scatters
    first: float  # share of it left at the first reading after
    last: float  # share of it left at the newest readings
    lowest: float  # least share of it seen since
    early: float  # share of it left at the first readings
    gone_at: datetime | None  # first reading since at which less than half of it was left
    back_at: datetime | None  # first reading from which on it was there (again) to the end
    relearning: bool  # most of the corrections in question are learning anew now
    strayed: tuple[str, ...]  # corrections in question that are in alarm now and have moved since the work

    @property
    def enough(self) -> bool:
        """Whether enough was read since to decide."""
        return self.enough_at is not None


def nothing_read(expected_at: datetime | None = None) -> Around:
    """No reading since the work."""
    nan = float("nan")
    return Around(
        readings=0, hours=nan, days=0.0, last_at=None, enough_at=None, expected_at=expected_at, asked=0, named=(),
        before=0.0, first=nan, last=nan, lowest=nan, early=nan, gone_at=None, back_at=None, relearning=False,
        strayed=(),
    )  # fmt: skip


def around(family: FamilyDrift, v: int, asked: Bools, scatter: Float64s, work: Mapping[str, Any]) -> Around:
    """The readings of one vehicle around one piece of work.

    Args:
        family: The vehicle's.
        v: Its number there.
        asked: [C], corrections that tell whether this work did what it should.
        scatter: [C], healthy scatter of a reading, unit of the correction.
        work: `done_at` and `until`, up to which it is watched.
    """
    panel = family.panel
    rows = np.arange(panel.row_start[v], panel.row_start[v + 1])
    at, until = (np.datetime64(work[name].astimezone(UTC).replace(tzinfo=None), "us") for name in ("done_at", "until"))
    before = rows[panel.read_at[rows] <= at]
    after = rows[(panel.read_at[rows] > at) & (panel.read_at[rows] <= until)]
    start = float(panel.hours[before[-1]]) if len(before) else float("nan")
    if not len(after):
        return nothing_read(_expected(family, before, at, 0, 0.0))
    newest = after[-1]
    columns = np.flatnonzero(asked)
    expected, off = _departure_before(family, before)
    size = np.where(asked, np.abs(off) / scatter, 0.0)
    named = [int(c) for c in np.argsort(-size, kind="stable") if size[c] >= OFF][:MOST_NAMED]
    shares, told = _shares_left((panel.values[after][:, named] - expected[named]) / off[named], size[named])
    moved = np.abs(_level(panel.values[after[-3:]]) - _level(panel.values[after[:3]])) / scatter
    used = panel.hours[after] - start
    days = (panel.read_at[after] - at) / np.timedelta64(1, "D")
    enough = _first(_enough(days, used))
    nothing = float("nan")
    return Around(
        readings=len(after),
        hours=float(used[-1]),
        days=float(days[-1]),
        last_at=_utc(panel.read_at[newest]),
        enough_at=None if enough is None else _utc(panel.read_at[after[enough]]),
        expected_at=_expected(family, np.append(before, after), at, len(after), float(used[-1])),
        asked=len(columns),
        named=tuple(panel.codes[c] for c in named),
        before=float(size.max(initial=0.0)),
        first=float(shares[0]) if len(shares) else nothing,
        last=float(np.median(shares[-3:])) if len(shares) else nothing,
        lowest=float(shares.min()) if len(shares) else nothing,
        early=float(np.median(shares[:3])) if len(shares) else nothing,
        gone_at=_gone(shares, panel.read_at[after[told]]),
        back_at=_back(shares, panel.read_at[after[told]]),
        relearning=bool(len(columns) and family.relearning[newest, columns].mean() > 1 / 2),
        strayed=tuple(panel.codes[c] for c in columns if family.alarm[newest, c] and moved[c] >= 2 * OFF),
    )


def _enough(days: Float64s, used: Float64s) -> Bools:
    """[readings] whether an outcome can be decided at each."""
    long_enough = np.where(np.isnan(used), days >= ENOUGH_DAYS, used >= ENOUGH_HOURS)
    return np.asarray(long_enough & (np.arange(1, len(used) + 1) >= ENOUGH_READINGS))


def _expected(family: FamilyDrift, rows: Int64s, at: np.datetime64, readings: int, used: float) -> datetime | None:
    """When enough will have been read, as often as the vehicle was read and as much as it was driven lately."""
    panel, newest = family.panel, rows[-USUAL_READINGS:]
    if len(newest) < 2:
        return None
    days = float((panel.read_at[newest[-1]] - panel.read_at[newest[0]]) / np.timedelta64(1, "D"))
    apart = days / (len(newest) - 1)
    hours_a_day = float(panel.hours[newest[-1]] - panel.hours[newest[0]]) / max(days, 1e-9)
    lacking = max(ENOUGH_READINGS - readings, 1) * apart
    if not np.isnan(used) and hours_a_day > 0:
        lacking = max(lacking, (ENOUGH_HOURS - used) / hours_a_day)
    begin = max(at, panel.read_at[rows[-1]]) if readings == 0 else panel.read_at[rows[-1]]
    return _utc(begin) + timedelta(days=float(np.ceil(lacking)))


def _gone(shares: Float64s, at: Times) -> datetime | None:
    first = _first(shares < STILL)
    return None if first is None else _utc(at[first])


def _back(shares: Float64s, at: Times) -> datetime | None:
    """First reading of the last run in which the departure was there; None: it is not, or nothing was off."""
    less = np.flatnonzero(shares < STILL)
    begin = 0 if not len(less) else int(less[-1]) + 1
    return _utc(at[begin]) if begin < len(shares) else None


def _first(which: Bools) -> int | None:
    found = np.flatnonzero(which)
    return int(found[0]) if len(found) else None


def _utc(at: np.datetime64) -> datetime:
    moment: datetime = at.astype("datetime64[us]").astype(datetime)
    return moment.replace(tzinfo=UTC)


def _departure_before(family: FamilyDrift, before: Int64s) -> tuple[Float64s, Float64s]:
    """What the vehicle should read and how far it is off, [C] each, by the last three readings before the work."""
    if not len(before):
        return np.zeros(len(family.panel.codes)), np.zeros(len(family.panel.codes))
    away = family.panel.values[before[-3:]] - family.expected[before[-3:]]
    return family.expected[before[-1]].astype(np.float64), _level(away)


def _level(readings: Float32s) -> Float64s:
    """Median of a few readings, [C]; 0 where none was read."""
    return np.nan_to_num(median_read(readings.astype(np.float64)))


def median_read(readings: Float64s) -> Float64s:
    """Median of what was read of each correction, [C], of rows [n, C] with at least one; NaN where nothing was."""
    ordered = np.sort(readings, axis=0)  # what was not read comes last
    count = np.count_nonzero(~np.isnan(readings), axis=0)
    column = np.arange(readings.shape[1])
    middle: Float64s = (
        ordered[np.maximum(count - 1, 0) // 2, column] + ordered[np.minimum(count // 2, len(ordered) - 1), column]
    ) / 2
    return middle


def _shares_left(share: Float64s, size: Float64s) -> tuple[Float64s, Bools]:
    """One share of the earlier departure, over the corrections that were off, at the readings that tell; and which do.

    Args:
        share: Of each correction's own departure, [readings, corrections]; NaN: not read.
        size: How far each was off, [corrections].
    """
    weight = np.where(np.isnan(share), 0.0, size)
    told = weight.sum(axis=1) > 0
    together: Float64s = (np.nan_to_num(share) * weight).sum(axis=1)[told] / weight.sum(axis=1)[told]
    return together, told
