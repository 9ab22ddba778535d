"""Readings around pieces of work: what was off before each, how much of that is left after it, and since when."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from statistics import median

import numpy as np

from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Int64s, Panel, Times

ENOUGH_HOURS = 40.0  # ignition-on hours after which an outcome is decided
ENOUGH_READINGS = 4
ENOUGH_DAYS = 28.0  # instead of hours where the module's clock is not read (judgement)
MOST_NAMED = 6  # corrections that decide, those that were off most
OFF = 2.5  # healthy scatters from which a correction counts as off before the work
STILL = 0.5  # share of the earlier departure that counts as there (again)
USUAL_READINGS = 8  # newest ones by which it is told how often and how much a vehicle is used (judgement)


@dataclass(frozen=True, kw_only=True)
class Around:
    """Corrections in question before and after one piece of work, weighted by how far they were off before."""

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


@dataclass(frozen=True, kw_only=True)
class Works:
    """Pieces of work on vehicles of one family, W of them.

    Attributes:
        vehicle: [W] number of the vehicle there.
        done_at: [W].
        until: [W], up to which each is watched.
        asked: [W, C] corrections that tell whether the work did what it should.
    """

    vehicle: Int64s
    done_at: Times
    until: Times
    asked: Bools


def around(family: FamilyDrift, works: Works, scatter: Float64s) -> list[Around]:
    """The readings of each vehicle around each piece of work, in the order of the works.

    Args:
        family: The vehicles'.
        works: What was done.
        scatter: [C], healthy scatter of a reading, unit of the correction.
    """
    begin, split, stop = _rows_around(family.panel, works)
    expected, off = _departures_before(family, begin, split)
    size = np.where(works.asked, np.abs(off) / scatter, 0.0)
    most = np.argsort(-size, axis=1, kind="stable")[:, :MOST_NAMED]
    is_off = np.take_along_axis(size, most, axis=1) >= OFF
    early, late = (
        _levels(family.panel.values[rows], there) for rows, there in (_first_of(split, stop), _last_of(split, stop))
    )
    newest = np.maximum(stop - 1, 0)
    strayed = works.asked & family.alarm[newest] & (np.abs(late - early) / scatter >= 2 * OFF)
    learns = (works.asked & family.relearning[newest]).sum(axis=1) > works.asked.sum(axis=1) / 2
    return [
        _around_one(
            family, begin[w], split[w], stop[w], works.done_at[w],
            named=most[w][is_off[w]], expected=expected[w], off=off[w], size=size[w],
            asked=int(works.asked[w].sum()), relearning=bool(learns[w]), strayed=np.flatnonzero(strayed[w]),
        )
        for w in range(len(begin))
    ]  # fmt: skip


def _rows_around(panel: Panel, works: Works) -> tuple[Int64s, Int64s, Int64s]:
    """[W] each: the vehicle's first row, its first one after the work, and the one behind those that are watched."""
    begin, end = panel.row_start[works.vehicle], panel.row_start[works.vehicle + 1]
    split, stop = begin.copy(), begin.copy()
    for w, (first, last) in enumerate(zip(begin.tolist(), end.tolist(), strict=True)):
        at = np.searchsorted(panel.read_at[first:last], (works.done_at[w], works.until[w]), side="right")
        split[w] += at[0]
        stop[w] += max(at[1], at[0])
    return begin, split, stop


def _around_one(
    family: FamilyDrift, begin: int, split: int, stop: int, at: np.datetime64, *, named: Int64s, expected: Float64s,
    off: Float64s, size: Float64s, asked: int, relearning: bool, strayed: Int64s,
) -> Around:  # fmt: skip
    """One work's; rows begin:split lie before it, split:stop after it; [C] what `around` says of corrections."""
    panel, after = family.panel, np.arange(split, stop)
    if not len(after):
        return nothing_read(_expected(family, np.arange(begin, split), at, 0, 0.0))
    used = panel.hours[split:stop] - (panel.hours[split - 1] if split > begin else float("nan"))
    days = (panel.read_at[split:stop] - at) / np.timedelta64(1, "D")
    enough = _first(_enough(days, used))
    shares, told = np.zeros(0), np.zeros(len(after), dtype=bool)
    if len(named):
        shares, told = _shares_left((panel.values[after][:, named] - expected[named]) / off[named], size[named])
    told_at = panel.read_at[after[told]]
    nothing = float("nan")
    return Around(
        readings=len(after),
        hours=float(used[-1]),
        days=float(days[-1]),
        last_at=_utc(panel.read_at[stop - 1]),
        enough_at=None if enough is None else _utc(panel.read_at[after[enough]]),
        expected_at=_expected(family, np.arange(begin, stop), at, len(after), float(used[-1]))
        if enough is None
        else None,
        asked=asked,
        named=tuple(panel.codes[c] for c in named),
        before=float(size.max(initial=0.0)),
        first=float(shares[0]) if len(shares) else nothing,
        last=median(shares[-3:].tolist()) if len(shares) else nothing,
        lowest=float(shares.min()) if len(shares) else nothing,
        early=median(shares[:3].tolist()) if len(shares) else nothing,
        gone_at=_gone(shares, told_at),
        back_at=_back(shares, told_at),
        relearning=asked > 0 and relearning,
        strayed=tuple(panel.codes[c] for c in strayed),
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


def _departures_before(family: FamilyDrift, begin: Int64s, split: Int64s) -> tuple[Float64s, Float64s]:
    """What vehicles should read and how far they are off, [W, C] each, by the last three readings before the work."""
    rows, there = _last_of(begin, split)
    expected = family.expected[np.maximum(split - 1, 0)].astype(np.float64)
    expected[split == begin] = 0.0
    return expected, _levels(family.panel.values[rows] - family.expected[rows], there)


def _first_of(begin: Int64s, end: Int64s) -> tuple[Int64s, Bools]:
    """[W, 3] each: the first three of each run of rows, and whether it has so many (row 0 stands for what is not)."""
    rows = begin[:, None] + np.arange(3)
    there = rows < end[:, None]
    return np.where(there, rows, 0), there


def _last_of(begin: Int64s, end: Int64s) -> tuple[Int64s, Bools]:
    """[W, 3] each: the last three of each run of rows, likewise."""
    rows = end[:, None] - 1 - np.arange(3)
    there = rows >= begin[:, None]
    return np.where(there, rows, 0), there


def _levels(readings: Float32s, there: Bools) -> Float64s:
    """Median of those readings [W, n, C] that are there [W, n]: [W, C]; 0 where none was read."""
    read = np.where(there[:, :, None], readings, np.nan).astype(np.float64)
    return np.nan_to_num(median_read(read.swapaxes(0, 1)))


def median_read(readings: Float64s) -> Float64s:
    """Median of what was read, [..., C], of rows [n, ..., C] with at least one; NaN where nothing was."""
    ordered = np.sort(readings, axis=0)  # what was not read comes last
    count = np.count_nonzero(~np.isnan(readings), axis=0)[None]
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, len(ordered) - 1)
    middle: Float64s = (np.take_along_axis(ordered, low, axis=0)[0] + np.take_along_axis(ordered, high, axis=0)[0]) / 2
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
