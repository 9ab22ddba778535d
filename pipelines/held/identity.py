"""Readings that fit another vehicle: two exchanged in a file, or a module that brought another vehicle's history.

Corrections tell vehicles apart as handwriting does: each lies at levels of its own. A reading far from its vehicle's
levels on many of them at once is compared with the levels of others, and, of those exchanged in a file, odometer and
clock with what the other's would have come to.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numba
import numpy as np
import polars as pl

from pipelines.handover import Float64s, Int64s
from pipelines.held.finding import EXCHANGED, FOREIGN, Finding
from pipelines.held.levels import rough_levels, scatter, without_held
from pipelines.held.readings import Measured, Readings, Usual
from pipelines.threads import in_threads

MOST_Z = 6.0  # that one correction may add to how odd a reading is
ODD = 1.6  # mean |z| of a reading from which it may be another vehicle's: twice a healthy one's
LESS_ODD = 1.1  # times the usual, where odometer or clock do not go on from file to file
LEAST_READ = 4  # corrections read, for that
MOST_A_CELL = 6.0  # nats of one correction
MOST_A_COUNTER = 8.0
SURE = 12.0  # nats ahead, beside the number of vehicles that it could be
MOST_CANDIDATES = 400  # of a file, the oddest: where more are odd at once, the fleet changed and not its numbers
STILL_FOREIGN = 0.25  # of the way from its own levels to the other's, until which a module has not learned anew
MONTH = 28.0  # days that a family's common movement is taken over
FEW = 4.0  # readings of a month, by which its mean is drawn to none
RUN_ON = {"odometer_km": 2500.0, "ignition_hours": 24.0}  # counters, and the most that they gain in a day


@dataclass(frozen=True, kw_only=True)
class Handwriting:
    """Levels [V, C] and sigmas [C] of the corrections, and readings of candidates [n, C] (NaN: not read)."""

    level: Float64s
    scale: Float64s
    rows: Int64s
    x: Float64s


def foreign_readings(readings: Readings, held: Mapping[str, Int64s], work: pl.DataFrame) -> list[Finding]:
    """Whole readings that are another vehicle's, file by file.

    Args:
        readings: All that is known.
        held: Column -> rows that are held already, and say nothing.
        work: The contract's; a replaced module may bring a history.
    """
    columns = [column for column in readings.measured if column.is_correction]
    if len(columns) < LEAST_READ or len(readings.start) < 3:
        return []
    months = _months(readings)
    odd, beside = _oddness(readings, columns, held, months)
    rows = _candidates(readings, odd)
    if not len(rows):
        return []
    alone = _Alone(readings, columns, held, months, beside)
    writing = _handwriting(alone, rows)
    pairs = _exchanged(readings, writing)
    taken = np.concatenate([np.zeros(0, np.int64), *(finding.rows for finding in pairs)])
    return pairs + _histories(alone, writing, np.setdiff1d(rows, taken), work)


@numba.njit(cache=True, nogil=True)
def _group_means(x, level, scale, vehicle, group, total, count):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    for r in range(len(x)):
        z = (x[r] - level[vehicle[r]]) / scale
        if not np.isnan(z):
            total[group[r]] += min(max(z, -3.0), 3.0)
            count[group[r]] += 1


def _months(readings: Readings) -> Int64s:
    """[R] family and four weeks: what moves together."""
    spread = int(readings.day.max(initial=0) // MONTH) + 1
    groups: Int64s = readings.family[readings.vehicle] * spread + (readings.day // MONTH).astype(np.int64)
    return groups


@dataclass(frozen=True, kw_only=True)
class _Peers:
    """What a family does together in each month [M], and what is usual of a column without it."""

    together: Float64s
    usual: Usual


def _beside_peers(readings: Readings, column: Measured, x: Float64s, months: Int64s) -> tuple[Float64s, _Peers]:
    """[R] a column without what its family does together, and what that is."""
    usual = readings.usual(column)
    total, count = np.zeros(int(months.max()) + 1), np.zeros(int(months.max()) + 1)
    if not np.isfinite(usual.scale):
        return x, _Peers(together=total, usual=usual)
    _group_means(x, usual.level, usual.scale, readings.vehicle, months, total, count)
    together = usual.scale * total / (count + FEW)
    alone = x - together[months]
    level = rough_levels(alone, readings.start)
    scale = scatter(alone, level, readings.vehicle, floor=usual.floor)
    return alone, _Peers(together=together, usual=Usual(level=level, scale=scale, floor=usual.floor))


@dataclass(frozen=True)
class _Alone:
    """The corrections without what families do together, at any rows."""

    readings: Readings
    columns: Sequence[Measured]
    held: Mapping[str, Int64s]
    months: Int64s
    beside: Sequence[_Peers]

    def at(self, rows: Int64s) -> Float64s:
        """[n, C] at some rows."""

        def of(which: int) -> Float64s:
            name, together = self.columns[which].name, self.beside[which].together
            gone = self.held.get(name)
            x: Float64s = self.readings.values_at(name, rows) - together[self.months[rows]]
            return without_held(x, None if gone is None else np.flatnonzero(np.isin(rows, gone)))

        return np.stack(in_threads(of, range(len(self.columns))), axis=1)


@numba.njit(cache=True, nogil=True)
def _add_oddness(x, level, scale, vehicle, total, count):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    for r in range(len(x)):
        z = abs(x[r] - level[vehicle[r]]) / scale
        if not np.isnan(z):
            total[r] += int(min(z, 6.0) * 64)
            count[r] += 1


def _oddness(
    readings: Readings, columns: Sequence[Measured], held: Mapping[str, Int64s], months: Int64s
) -> tuple[Float64s, list[_Peers]]:
    """[R] mean |z| of each reading about its vehicle's levels, and what peers do, by column.

    In whole 64ths, so that the order of sums is nothing.
    """

    def of(some: Sequence[Measured]) -> tuple[Int64s, Int64s, list[_Peers]]:
        total, count = np.zeros(readings.rows, np.int64), np.zeros(readings.rows, np.int64)
        beside = []
        for column in some:
            x = without_held(readings.values(column.name), held.get(column.name))
            alone, peers = _beside_peers(readings, column, x, months)
            beside.append(peers)
            if np.isfinite(peers.usual.scale):
                _add_oddness(alone, peers.usual.level, peers.usual.scale, readings.vehicle, total, count)
        return total, count, beside

    (total, count, even), (more, others, odd) = in_threads(of, [columns[::2], columns[1::2]])
    total, count = total + more, count + others
    beside = [(odd if k % 2 else even)[k // 2] for k in range(len(columns))]
    return np.where(count >= LEAST_READ, total / (64.0 * np.maximum(count, 1)), 0.0), beside


@numba.njit(cache=True, nogil=True)
def _off_course(x, day, load, start, most_a_day):  # type: ignore[no-untyped-def]
    """[R] the counter cannot go on from the vehicle's file before to the one of this row, or from it to the next."""
    off = np.zeros(len(x), np.bool_)
    for v in range(len(start) - 1):
        before, begin = -1, start[v]  # the last row read before, and the first of its file
        for r in range(start[v], start[v + 1]):
            if before >= 0 and load[r] != load[before]:
                gain = x[r] - x[before]
                if gain < -0.5 or gain > most_a_day * (day[r] - day[before] + 0.5):
                    off[begin : before + 1] = True
                    end = r
                    while end < start[v + 1] and load[end] == load[r]:
                        off[end] = True
                        end += 1
                begin = r
            if not np.isnan(x[r]):
                before = r
    return off


def _candidates(readings: Readings, odd: Float64s) -> Int64s:
    """Rows that may be another vehicle's: odd ones, and less odd ones where a counter leaves its course; the oddest."""
    load, usual = readings.load(corrections=True), float(np.median(odd))
    left = np.zeros(readings.rows, np.bool_)
    for name in [name for name in RUN_ON if readings.has(name)]:
        left |= _off_course(readings.values(name), readings.day, load, readings.start, RUN_ON[name])
    rows = np.flatnonzero((odd > max(ODD, 1.5 * usual)) | (left & (odd > LESS_ODD * usual)))
    load = load[rows]
    order = np.lexsort((-odd[rows], load))
    nth = np.arange(len(rows)) - np.searchsorted(load[order], load[order])
    return np.sort(rows[order[nth < MOST_CANDIDATES]])


def _handwriting(alone: _Alone, rows: Int64s) -> Handwriting:
    return Handwriting(
        level=np.stack([peers.usual.level for peers in alone.beside], axis=1),
        scale=np.array([peers.usual.scale for peers in alone.beside]), rows=rows, x=alone.at(rows),
    )  # fmt: skip


@numba.njit(cache=True, nogil=True)
def _nats(x, own, other, scale):  # type: ignore[no-untyped-def]
    """What a reading [C] says for another vehicle's levels against its own."""
    most, total, odds = np.exp(MOST_A_CELL / 2.5), 0.0, 1.0
    for c in range(len(x)):
        a, b = (x[c] - own[c]) / scale[c], (x[c] - other[c]) / scale[c]
        if not (np.isnan(a) or np.isnan(b)):
            odds *= min(max((4 + a * a) / (4 + b * b), 1 / most), most)
        if c % 64 == 63:  # a logarithm costs more than all else here, and a product of more overflows
            total, odds = total + np.log(odds), 1.0
    return 2.5 * (total + np.log(odds))


@numba.njit(cache=True, nogil=True)
def _nats_of_all(x, vehicle, level, scale, others):  # type: ignore[no-untyped-def]
    """[n, O] the same of n readings for each of some other vehicles."""
    out = np.zeros((len(x), len(others)))
    for i in range(len(x)):
        for j in range(len(others)):
            if others[j] != vehicle[i]:
                out[i, j] = _nats(x[i], level[vehicle[i]], level[others[j]], scale)
    return out


@numba.njit(cache=True, nogil=True)
def _next_after(x, day, load, begin, end, at, not_load, most_a_day):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Whether a counter's value can be one vehicle's at a time, beside what that one has in other files.

    Row `at` beside the rows from begin to end. 1: it can; -1: it cannot; 0: there is nothing beside it.
    """
    before, after = -1, -1
    for r in range(begin, end):
        if load[r] == not_load or np.isnan(x[r]):
            continue
        if day[r] < day[at]:
            before = r
        elif after < 0:
            after = r
    said = 0
    if before >= 0:
        gain = x[at] - x[before]
        said = 1 if -0.5 <= gain <= most_a_day * (day[at] - day[before] + 0.5) else -1
    if after >= 0 and said >= 0:
        gain = x[after] - x[at]
        said = 1 if -0.5 <= gain <= most_a_day * (day[after] - day[at] + 0.5) else -1
    return said


def _counters(
    readings: Readings, row: int, who: tuple[int, int], load: Int64s, values: Mapping[str, Float64s]
) -> float:
    """What odometer and clock of a reading say for the second vehicle against the first, whose it is said to be."""
    total = 0.0
    for name, x in values.items():
        if np.isnan(x[row]):
            continue
        fits = [
            _next_after(x, readings.day, load, readings.start[v], readings.start[v + 1], row, load[row], RUN_ON[name])
            for v in who
        ]
        total += MOST_A_COUNTER * (fits[1] - fits[0]) / 2 if 0 not in fits else 0.0
    return total


def _exchanged(readings: Readings, writing: Handwriting) -> list[Finding]:
    """Pairs of vehicles in a file of which each is like the other."""
    load, vehicle = readings.load(corrections=True), readings.vehicle
    values = {name: readings.values(name) for name in RUN_ON if readings.has(name)}
    found = []
    for one in np.unique(load[writing.rows]):
        at = np.flatnonzero(load[writing.rows] == one)
        who = np.unique(vehicle[writing.rows[at]])
        if len(who) < 2:
            continue
        nats = _nats_of_all(writing.x[at], vehicle[writing.rows[at]], writing.level, writing.scale, who)
        of = np.searchsorted(who, vehicle[writing.rows[at]])
        score = np.zeros((len(who), len(who)))
        np.add.at(score, of, nats)
        both = np.minimum(score, score.T)
        both[readings.family[who][:, None] != readings.family[who][None, :]] = 0.0
        while both.size and both.max() > SURE + 2 * np.log(len(who)):
            a, b = np.unravel_index(int(both.argmax()), both.shape)
            found.append(
                _pair(readings, writing, load, values, (int(who[a]), int(who[b])), int(one), float(both[a, b]))
            )
            both[[a, b]] = 0.0
            both[:, [a, b]] = 0.0
    return [pair for pair in found if pair is not None]


def _pair(  # noqa: PLR0917
    readings: Readings, writing: Handwriting, load: Int64s, values: Mapping[str, Float64s], who: tuple[int, int],
    one: int, sure: float,
) -> Finding | None:  # fmt: skip
    """The readings of two vehicles in a file that are each other's: from the first to the last that says so."""
    names = sorted((readings.names[who[0]], who[0], who[1]) for who in (who, who[::-1]))
    (first, v, w), (second, _, _) = names
    every = np.concatenate([np.arange(readings.start[a], readings.start[a + 1]) for a in (v, w)])
    every = every[load[every] == one]
    place = {int(row): i for i, row in enumerate(writing.rows)}
    speaks = np.zeros(len(every))
    for i, row in enumerate(every.tolist()):
        own, other = (v, w) if readings.vehicle[row] == v else (w, v)
        if row in place:
            levels = writing.level
            speaks[i] = _nats(writing.x[place[row]], levels[own], levels[other], writing.scale)
        speaks[i] += _counters(readings, row, (own, other), load, values)
    said = every[speaks > 0]
    if not len(said):
        return None
    during = (readings.day[every] >= readings.day[said].min()) & (readings.day[every] <= readings.day[said].max())
    rows = every[during & (speaks > -MOST_A_COUNTER)]
    belongs_to = readings.names.gather(np.where(readings.vehicle[rows] == v, w, v))
    return Finding(
        looks_like=f"{EXCHANGED}{second}", load_id=one, depot=readings.depots[v], rows=rows, sure=sure, cells={},
        belongs_to=belongs_to, about=first,
    )  # fmt: skip


def _histories(alone: _Alone, writing: Handwriting, rows: Int64s, work: pl.DataFrame) -> list[Finding]:
    """Readings since a module was replaced that stand where another vehicle's do, until it has learned anew."""
    readings = alone.readings
    place = {int(row): i for i, row in enumerate(writing.rows)}
    candidates, begun = set(rows.tolist()), list[tuple[int, int, float]]()
    families = [np.flatnonzero(readings.family == family) for family in range(int(readings.family.max()) + 1)]
    peers = [_medians(writing.level[members]) for members in families]
    for first in _first_after_modules(readings, work):
        v = int(readings.vehicle[first])
        mine = [place[row] for row in range(first, int(readings.start[v + 1])) if row in candidates][:3]
        if not mine or writing.rows[mine[0]] != first:
            continue
        others = families[readings.family[v]]
        of = np.full(len(mine), v)
        nats = _nats_of_all(writing.x[mine], of, writing.level, writing.scale, others).sum(axis=0)
        best = int(others[nats.argmax()])
        usual = peers[readings.family[v]]
        beside = sum(_nats(writing.x[i], usual, writing.level[best], writing.scale) for i in mine)
        sure = min(float(nats.max()), float(beside))
        if best != v and sure >= SURE + np.log(len(others)):
            begun.append((first, best, sure))
    since = [np.arange(first, readings.start[readings.vehicle[first] + 1]) for first, _, _ in begun]
    every = np.concatenate([np.zeros(0, np.int64), *since])
    x = np.split(alone.at(every), np.cumsum([len(one) for one in since])[:-1]) if len(every) else []
    return [
        finding
        for (first, best, sure), values in zip(begun, x, strict=True)
        for finding in _foreign(readings, first, _learned_anew(readings, values, writing, first, best), best, sure)
    ]


def _foreign(readings: Readings, first: int, until: int, best: int, sure: float) -> list[Finding]:
    """A vehicle's readings from a row until another, as another's history: one finding a file."""
    v, load = int(readings.vehicle[first]), readings.load(corrections=True)[first:until]
    return [
        Finding(
            looks_like=f"{FOREIGN}{readings.names[best]}", load_id=int(one), depot=readings.depots[v],
            rows=first + np.flatnonzero(load == one), sure=sure, cells={}, about=readings.names[v],
        )
        for one in np.unique(load)
    ]  # fmt: skip


def _medians(levels: Float64s) -> Float64s:
    """Median of each column over vehicles, [C]; NaN where none reads it."""
    read = ~np.isnan(levels).all(axis=0)
    medians = np.full(levels.shape[1], np.nan)
    medians[read] = np.nanmedian(levels[:, read], axis=0)
    return medians


def _first_after_modules(readings: Readings, work: pl.DataFrame) -> list[int]:
    """First rows after another module came, as the readings or the work say."""
    frame = readings.some("vehicle_id", "read_at", "module").with_row_index("row")
    module = pl.col("module").forward_fill().over("vehicle_id")
    other = (module != module.shift().over("vehicle_id")).fill_null(value=False)
    by_serial = frame.filter(other)["row"].to_list()
    done = work.filter(pl.col("kind") == "module_replacement").select("vehicle_id", "done_at").sort("done_at")
    after = done.join_asof(
        frame.sort("read_at"), left_on="done_at", right_on="read_at", by="vehicle_id", strategy="forward",
        check_sortedness=False,
    )  # fmt: skip
    return sorted({*map(int, by_serial), *map(int, after["row"].drop_nulls().to_list())})


def _learned_anew(readings: Readings, x: Float64s, writing: Handwriting, first: int, other: int) -> int:
    """The row from which the vehicle is nearer to its own levels again; the end of its record if it is not.

    `x` [n, C]: its values from row `first` on, beside peers.
    """
    v = int(readings.vehicle[first])
    way = (writing.level[other] - writing.level[v]) / writing.scale
    rows = np.arange(first, readings.start[v + 1])
    z = np.clip((x - writing.level[v]) / writing.scale, -4 * MOST_Z, 4 * MOST_Z)
    known = ~np.isnan(z) & ~np.isnan(way)
    gone = np.where(known, z * way, 0.0).sum(axis=1) / np.maximum(np.where(known, way * way, 0.0).sum(axis=1), 1e-9)
    anew = np.flatnonzero((gone < STILL_FOREIGN) & known.any(axis=1))
    return int(rows[anew[0]]) if len(anew) else int(readings.start[v + 1])
