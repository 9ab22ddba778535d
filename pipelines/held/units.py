"""Batches (a file's rows of a depot) whose columns fit their vehicles' other readings better in another unit.

Likelihoods are compared: each value beside the level that the vehicle has in its other files, as it stands and
righted. Rows and columns speak together, so that a slip may cover one column or all, the whole batch, a reader or some
weeks; and it must beat what real changes do: a shift of all vehicles, more scatter, values gone back towards neutral.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pipelines.handover import Bools, Float32s, Float64s, Int64s
from pipelines.held.applying import with_cells_of
from pipelines.held.cells import Cells, likeliest_share
from pipelines.held.finding import Batch, Finding
from pipelines.held.levels import (
    AROUND,
    LEAST_AROUND,
    TO_SIGMA,
    courses_around,
    levels_around,
    without_held,
)
from pipelines.held.odd_batches import VEHICLES, Learned, learned_of
from pipelines.held.readings import COUNTERS, Measured, Readings
from pipelines.held.real_changes import nats_ahead
from pipelines.held.slips import Slip, slips, slips_of
from pipelines.threads import in_threads

MOST_GAIN = 60.0  # the same where two slips are compared that both fit far better than none
COLUMN_SPEAKS = 3.0  # nats from which a column belongs to a slip
SURE = 15.0  # nats over every real change that a slip must be ahead: odds of e^15 against a prior of one file in 1,000
SURE_OF_FEW = 30.0  # where the batch as a whole does not show it: several columns of a few vehicles
SEVERAL = 3  # columns that slip alike, then: and more so than if each vehicle had a defect of its own
SHARE = 0.6  # of the batch, its reader or its weeks, that one column's slip must cover
ALL_CELLS = 1_000_000  # up to so many, every batch is judged in full; beyond, those whose slope on the level is odd
MOST_ROUNDS = 12  # files, one after the other, that a slip which goes on is followed through
CHUNK = 100_000  # rows judged together


def unit_slips(readings: Readings, held: Mapping[str, Int64s], *, told: Collection[Batch] = ()) -> list[Finding]:
    """What looks like another unit, file by file.

    A slip that goes on is told file after file: what is held says nothing of the files beside it. First the readings
    before and after a file say what its vehicles read; then those before it alone, if peers do not speak against it.

    Args:
        readings: All that is known.
        held: Column -> rows that are held already.
        told: Batches that are known to be what they look like.
    """
    known, found = dict(held), list[Finding]()
    for corrections in (False, True):
        columns = [c for c in readings.measured if c.is_correction == corrections and slips_of(c.unit)]
        if not columns:
            continue
        kind = _Kind.of(readings, columns, corrections=corrections)
        for ahead in (AROUND, 0):
            asked = np.ones(int(kind.code.max()) + 1, np.bool_)
            for _ in range(MOST_ROUNDS):
                new = _of_kind(kind, known, asked, told, ahead)
                if not new:
                    break
                found += new
                asked = np.zeros(len(asked), np.bool_)
                asked[kind.code[_beside(readings, np.concatenate([one.rows for one in new]))]] = True
                known = with_cells_of(known, new, readings)
    return found


@dataclass(frozen=True, kw_only=True)
class _Kind:
    """Circumstances, or corrections: their files, and what is learned of each column."""

    readings: Readings
    load: Int64s  # [R]
    code: Int64s  # [R] file and depot
    learned: list[Learned]
    every: bool

    @classmethod
    def of(cls, readings: Readings, columns: Sequence[Measured], *, corrections: bool) -> "_Kind":
        """What is learned from all readings."""
        load = readings.load(corrections=corrections)
        code = np.unique(
            load * (int(readings.depot.max()) + 1) + readings.depot[readings.vehicle], return_inverse=True
        )[1]
        every = readings.rows * len(columns) <= ALL_CELLS
        groups = _groups(readings, code)
        learned = in_threads(lambda column: learned_of(readings, column, code, groups, every=every), columns)
        return cls(readings=readings, load=load, code=code, learned=learned, every=every)

    def of_batch(self, row: int) -> tuple[int, str]:
        """File and depot of a row."""
        return int(self.load[row]), self.readings.depots[int(self.readings.vehicle[row])]


def _beside(readings: Readings, rows: Int64s) -> Bools:
    """[R] readings whose level some rows help to say: those around the same vehicle's segments of these."""
    first, last = readings.segment
    change = np.zeros(readings.rows + 1, np.int64)
    np.add.at(change, np.maximum(first[rows] - 2 * AROUND, readings.start[readings.vehicle[rows]]), 1)
    np.add.at(change, np.minimum(last[rows] + 2 * AROUND + 1, readings.start[readings.vehicle[rows] + 1]), -1)
    return np.cumsum(change[:-1]) > 0


def _of_kind(
    kind: _Kind, held: Mapping[str, Int64s], asked: Bools, told: Collection[Batch], ahead: int
) -> list[Finding]:
    """Slips of those batches [codes] that are asked about."""
    readings, found = kind.readings, list[Finding]()
    wanted = _wanted(kind, asked, told)
    of_any = np.any([mask for slip, mask in wanted.items() if slip.fits("")], axis=0)  # which cost all columns
    for rows in (*_chunks(kind.code, of_any), *_chunks(kind.code, np.any(list(wanted.values()), axis=0) & ~of_any)):
        by_code = {slip: mask[kind.code[rows]] for slip, mask in wanted.items() if mask[kind.code[rows]].any()}
        columns = [one for one in kind.learned if not by_code.keys().isdisjoint(slips_of(one.column.unit))]
        near = _Near.of_rows(readings, rows)
        cells = in_threads(lambda one, near=near: _judged(readings, one, held, near, ahead), columns)  # type: ignore[misc]
        start = np.flatnonzero(np.diff(kind.code[rows], prepend=-1))
        by_slip = _nats(cells, start, by_code)
        for nth, (begin, end) in enumerate(pairwise([*start.tolist(), len(rows)])):
            at = slice(begin, end)
            batch = kind.of_batch(int(rows[begin]))
            speaking = [
                _Slipped(
                    slip=slip, cells=[cells[k] for k in which], at=at, nats=nats[:, at],
                    told=(*batch, slip.looks_like) in told, ask_peers=ahead == 0,
                )
                for slip, which, nats, most in by_slip
                if (most[:, nth] > COLUMN_SPEAKS).any()
            ]  # fmt: skip
            found += _findings(readings, rows[at], speaking, batch)
    return found


def _wanted(kind: _Kind, asked: Bools, told: Collection[Batch]) -> dict[Slip, Bools]:
    """Of each slip, by the code of a batch: whether it is judged in full for it."""
    first = np.unique(kind.code, return_index=True)[1]
    known = [kind.of_batch(int(row)) for row in first] if told else []
    wanted = {}
    for slip in slips():
        mask = np.full(len(first), kind.every)
        for one in kind.learned:
            mask[one.odd.get(slip, [])] = True
        if known:
            mask |= np.array([(*batch, slip.looks_like) in told for batch in known])
        wanted[slip] = mask & asked
    return wanted


def _nats(
    cells: Sequence["Cells"], start: Int64s, wanted: Mapping[Slip, Bools]
) -> list[tuple[Slip, list[int], Float32s, Float64s]]:
    """Of each slip: columns that can have it [K], what each of their cells says for it [K, n], and the most [K, B].

    The most is what all cells of each batch that speak for it say; batches begin at `start` [B]. Where a slip is not
    wanted [n], nothing is said for it.
    """
    found = []
    for slip, asked in wanted.items():
        which = [k for k, one in enumerate(cells) if slip in slips_of(one.column.unit)]
        if which:
            at = slice(None) if asked.all() else np.flatnonzero(asked)
            nats = np.zeros((len(which), len(asked)), np.float32)
            nats[:, at] = np.stack(in_threads(lambda k, slip=slip, at=at: cells[k].of(at).ratio(slip), which))  # type: ignore[misc]
            found.append((slip, which, nats, np.add.reduceat(np.maximum(nats, 0), start, axis=1)))
    return found


def _chunks(batch: Int64s, wanted: Bools) -> Iterator[Int64s]:
    """Rows of the wanted batches [codes], batch by batch, some batches at a time."""
    rows = np.flatnonzero(wanted[batch])
    rows = rows[np.argsort(batch[rows], kind="stable")]
    ends = np.append(np.flatnonzero(np.diff(batch[rows])) + 1, len(rows))
    begin = 0
    for index, end in enumerate(ends):
        if end - begin >= CHUNK or index == len(ends) - 1:
            if end > begin:
                yield rows[begin:end]
            begin = end


def _groups(readings: Readings, batch: Int64s) -> Int64s:
    """[R] batch, reader and week: what may slip by itself."""
    week = (readings.day // 7).astype(np.int64)
    readers = int(readings.reader.max(initial=0)) + 1
    spread = int(week.max(initial=0)) + 1
    groups: Int64s = np.unique((batch * readers + readings.reader) * spread + week, return_inverse=True)[1]
    return groups


@dataclass(frozen=True, kw_only=True)
class _Near:
    """Some rows [n], and all those of their vehicles, [N] in order, which are numbered anew.

    rows: [n] their numbers among those. every: [N] numbers among all readings. of: [N] vehicle. vehicle: [N], start,
    first, last: as of `Readings`, of those.
    """

    rows: Int64s
    every: Int64s
    of: Int64s
    vehicle: Int64s
    start: Int64s
    first: Int64s
    last: Int64s

    @classmethod
    def of_rows(cls, readings: Readings, rows: Int64s) -> "_Near":
        """Of some rows."""
        who = np.unique(readings.vehicle[rows])
        count = readings.start[who + 1] - readings.start[who]
        start = np.append(0, np.cumsum(count))
        shift = np.repeat(readings.start[who] - start[:-1], count)
        every = np.arange(start[-1]) + shift
        first, last = readings.segment
        return cls(
            rows=np.searchsorted(every, rows), every=every, of=readings.vehicle[every],
            vehicle=np.repeat(np.arange(len(who)), count), start=start,
            first=first[every] - shift, last=last[every] - shift,
        )  # fmt: skip

    def without(self, x: Float64s, held: Int64s | None) -> Float64s:
        """[N] values without what is held, at some rows of all."""
        if held is None or not len(held):
            return x
        place = np.minimum(np.searchsorted(self.every, held), len(self.every) - 1)
        return without_held(x, place[self.every[place] == held])


def _judged(readings: Readings, learned: Learned, held: Mapping[str, Int64s], near: _Near, ahead: int) -> Cells:
    """One column at some rows, beside the readings around them; where there are few, beside peers."""
    name, rows = learned.column.name, near.rows
    x = near.without(readings.values_at(name, near.every), held.get(name))
    where = (rows, near.vehicle, near.start, near.first, near.last)
    of = near.of[rows]
    peers = {"peer_level": learned.peer_level[of], "peer_scale": learned.peer_scale[of]}
    if name in COUNTERS:
        level, reach = courses_around(x, readings.day[near.every], *where, ahead)
        loose = 0.15 * np.abs(level) + 50.0
        scale = np.where(np.isfinite(reach), np.minimum(0.5 * reach + 0.01 * np.abs(level) + 5.0, loose), loose)
        return Cells(column=learned.column, x=x[rows], level=level, scale=scale, **peers)
    level, count = levels_around(x, *where, ahead)
    scale = learned.scale
    if not learned.column.is_correction:  # of a year's weather, only that of some weeks is left beside these levels
        off = np.abs(x[rows] - level)
        scale = min(scale, max(TO_SIGMA * _median(off), learned.floor))
    alone = count < LEAST_AROUND
    return Cells(
        column=learned.column,
        x=x[rows],
        level=np.where(alone, peers["peer_level"], level),
        scale=np.where(alone, peers["peer_scale"], scale),
        **peers,
    )


def _median(values: Float64s) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else float("inf")


@dataclass(frozen=True, kw_only=True)
class _Slipped:
    """What a batch says for one slip.

    Attributes:
        slip: The slip.
        cells: [K] columns that can have it, in more rows than the batch's.
        at: The batch's rows among those.
        nats: [K, n] what each cell of the batch says for it.
        told: Whether it is known to be so.
        ask_peers: Whether peers, or the authority where there are none, must say so too.
    """

    slip: Slip
    cells: Sequence[Cells]
    at: slice
    nats: Float32s
    told: bool
    ask_peers: bool

    def judged(self, readings: Readings, rows: Int64s) -> tuple[Bools, list[int], float] | None:
        """Rows [n] and columns that slipped, and how far ahead of all else that is; None: it does not hold."""
        speaks = np.flatnonzero(likeliest_share(np.ascontiguousarray(self.nats))[1] > COLUMN_SPEAKS)
        if not len(speaks):
            return None
        slipped = self._rows(speaks)
        speaks = np.flatnonzero(self.nats[:, slipped].sum(axis=1) > 1.0)
        if not len(speaks):
            return None
        slipped = self._rows(speaks)
        columns, sure = self._ahead(slipped, speaks.tolist(), ())
        if not columns:
            return None
        if self.told or (sure > SURE and _is_odd(readings, rows, slipped)):
            return slipped, columns, sure
        columns, sure = self._ahead(slipped, columns, readings.vehicle[rows])
        return (slipped, columns, sure) if len(columns) >= SEVERAL and sure > SURE_OF_FEW else None

    def _ahead(self, slipped: Bools, columns: Sequence[int], vehicle: Int64s | tuple[()]) -> tuple[list[int], float]:
        """Columns that slipped, and nats by which that is ahead of all else; `vehicle`: as of `nats_ahead`."""
        ahead = {k: nats_ahead(self.cells[k].of(self.at), self.slip, slipped, vehicle) for k in columns}
        which = [k for k, nats in ahead.items() if nats > 0 and (not self.ask_peers or self._like_peers(k, slipped))]
        return which, sum(min(ahead[k], 4 * SURE) for k in which)

    def gain(self, slipped: Bools, columns: Sequence[int]) -> float:
        """Nats over what the cells say, less bounded than those that judge: which of two slips it is."""
        cells = [self.cells[k].of(self.at).of(np.flatnonzero(slipped)) for k in columns]
        return sum(float(np.nansum(np.clip(each.said(self.slip), -MOST_GAIN, MOST_GAIN))) for each in cells)

    def _like_peers(self, column: int, slipped: Bools) -> bool:
        cells = self.cells[column].of(self.at)
        if cells.column.name in COUNTERS:  # which say nothing of each other
            return True
        none, law = np.isnan(cells.peer_level), cells.column
        level = np.where(none, law.neutral, cells.peer_level)
        cells = replace(cells, level=level, scale=np.where(none, (law.high - law.low) / 6, cells.peer_scale))
        return float(cells.ratio(self.slip)[slipped].sum()) > 0

    def _rows(self, columns: Int64s) -> Bools:
        total = self.nats[columns].sum(axis=0, keepdims=True)
        share = likeliest_share(total)[0][0]
        slipped: Bools = total[0] + np.log(share) - np.log1p(-share) > 0
        return slipped


def _findings(readings: Readings, rows: Int64s, speaking: Sequence[_Slipped], batch: tuple[int, str]) -> list[Finding]:
    """The slips of a batch that hold; where two say it of the same cells, the surer."""
    held = in_threads(lambda one: one.judged(readings, rows), speaking)
    judged = [(one, found) for one, found in zip(speaking, held, strict=True) if found]
    taken: dict[str, Bools] = {}
    findings = []
    for one, (slipped, columns, sure) in sorted(judged, key=lambda each: -each[0].gain(*each[1][:2])):
        names = [one.cells[k].column.name for k in columns]
        free = [name for name in names if name not in taken or not taken[name][slipped].any()]
        if not free or (len(free) < len(names) and len(free) < SEVERAL):
            continue
        for name in free:
            taken[name] = taken.get(name, np.zeros(len(rows), np.bool_)) | slipped
        findings.append(
            Finding(
                looks_like=one.slip.looks_like, load_id=batch[0], depot=batch[1], rows=rows[slipped], sure=sure,
                cells=dict.fromkeys(free, rows[slipped]), slip=one.slip,
            )
        )  # fmt: skip
    return findings


def _is_odd(readings: Readings, rows: Int64s, slipped: Bools) -> bool:
    """Whether a batch is odd, and not some vehicles of it."""
    theirs = np.unique(readings.vehicle[rows[slipped]])
    if len(theirs) < VEHICLES:
        return False
    day, reader = readings.day[rows], readings.reader[rows]
    during = (day >= day[slipped].min()) & (day <= day[slipped].max())
    by_reader = during & np.isin(reader, np.unique(reader[slipped]))
    return bool(slipped.sum() / by_reader.sum() >= SHARE)
