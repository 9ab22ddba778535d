"""Which things happen more often at which level of a factor: time at risk and events in, compared pairs out."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property

import numpy as np
import polars as pl

from pipelines.handover import Bools, Float64s, Int64s
from pipelines.recurring.lent import Lent
from pipelines.recurring.rates import MANY, Comparison, Excess, excess, vehicle_dispersion

LEAST_EVENTS = 5  # of one thing in the fleet before its places are compared
LEAST_EXPECTED = 0.5  # events expected at a level before it is compared: chosen without looking at where they fell


@dataclass(frozen=True, kw_only=True)
class Subject:
    """What a finding is about: one thing at one level of a factor."""

    factor: str
    level: str
    kind: str
    what: str
    rows: str  # which rows of time at risk it lies on: subjects on others are not comparable
    of: tuple[str, str] | None = None  # column of the rows and its value, to which it is confined


@dataclass(frozen=True, kw_only=True)
class Pair(Subject):
    """A subject compared with the other levels."""

    vehicles: int  # with the thing at the level
    exposed_events: int
    exposed_months: float
    events: int
    months: float
    comparison: Comparison
    excess: Excess
    at: tuple[datetime, ...]  # when, of the exposed
    episodes: frozenset[int]  # of the exposed events

    @property
    def p_value(self) -> float:
        """That it happens no more often than at the others."""
        return self.excess.p_value

    @property
    def first_seen_at(self) -> datetime | None:
        """When it was first seen at the level."""
        return min(self.at, default=None)


@dataclass(frozen=True, kw_only=True)
class Thing:
    """One thing that happened, laid on the rows of time at risk."""

    kind: str
    what: str
    rows: Int64s  # [n], the row of each event
    at: tuple[datetime, ...]  # [n]
    episode: Int64s  # [n]; events of one episode of a vehicle share it
    at_risk: Bools  # [M], rows on which it could have happened and would have been seen


@dataclass(frozen=True, kw_only=True)
class Places:
    """One factor laid on the M rows of time at risk."""

    rows: str  # what the rows are
    factor: str
    levels: tuple[str, ...]
    level: Int64s  # [M], number of the level; -1: not known
    stratum: Int64s  # [M]
    vehicle: Int64s  # [M], number of the vehicle
    months: Float64s  # [M]
    once: bool = False  # each row is a case in which a thing happens once or not at all; months count cases
    lent: Lent | None = None  # what each stratum is lent: events and time of no level

    def within(self, rows: Bools) -> "Places":
        """The same with the level of all other rows not known, so that they count nowhere."""
        return replace(self, level=np.where(rows, self.level, -1))

    @cached_property
    def time(self) -> Float64s:
        """Time at risk by stratum and level, [S, L]."""
        return self.summed(self.months)

    @cached_property
    def shares(self) -> Float64s:
        """Each level's share of its stratum's time, [S, L]."""
        whole = self.time.sum(axis=1, keepdims=True)
        shares: Float64s = np.divide(self.time, whole, out=np.zeros_like(self.time), where=whole > 0)
        return shares

    @property
    def strata(self) -> int:
        """How many strata there are, S."""
        return int(self.stratum.max(initial=-1)) + 1

    @cached_property
    def cell(self) -> Int64s:
        """Stratum and level of each row as one number, [M]; of rows at a known level."""
        return self.stratum * len(self.levels) + np.maximum(self.level, 0)

    @cached_property
    def runs(self) -> tuple[Int64s, Int64s, Float64s]:
        """Vehicle, cell and months of each run of rows of one vehicle in one cell; months at no known level: 0."""
        months = np.where(self.level >= 0, self.months, 0.0)
        begin = np.flatnonzero(np.append(True, (np.diff(self.vehicle) != 0) | (np.diff(self.cell) != 0)))
        return self.vehicle[begin], self.cell[begin], np.add.reduceat(months, begin)

    @cached_property
    def cells(self) -> Int64s:
        """Numbers of the cells that have rows."""
        return np.flatnonzero(np.bincount(self.cell))

    def summed(self, weight: Float64s) -> Float64s:
        """A weight of each row, [M], summed by stratum and level, [S, L], over rows at a known level."""
        known = np.where(self.level >= 0, weight, 0.0)
        size = self.strata * len(self.levels)
        return np.bincount(self.cell, weights=known, minlength=size).reshape(self.strata, -1).astype(np.float64)


def things_of(happened: pl.DataFrame, at_risk: Callable[[str, str], Bools]) -> list[Thing]:
    """Things with LEAST_EVENTS or more where they could happen.

    Args:
        happened: One row per event: `kind, what, row` (of the time at risk), `at`, `episode`.
        at_risk: Of a kind and a what: rows [M] on which it could have happened and would have been seen.
    """
    things = []
    groups = happened.sort("kind", "what", "at", "row").group_by("kind", "what", maintain_order=True)
    for (kind, what), group in groups:
        where = at_risk(str(kind), str(what))
        rows = group["row"].cast(pl.Int64).to_numpy()
        seen = group.filter(pl.Series(where[rows]))
        if seen.height >= LEAST_EVENTS:
            things.append(
                Thing(
                    kind=str(kind),
                    what=str(what),
                    rows=rows[where[rows]],
                    at=tuple(seen["at"]),
                    episode=seen["episode"].cast(pl.Int64).to_numpy(),
                    at_risk=where,
                )
            )
    return things


def places_of(at_risk: pl.DataFrame, factor: str, strata: Sequence[str], *, rows: str, once: bool = False) -> Places:
    """One factor on the rows of time at risk.

    Args:
        rows: What the rows are (`vehicle-month`, `job`); things and places that belong together share it.
        at_risk: One row per piece of time: `vehicle_id`, `exposure` (months), the factor and the strata as text.
        factor: Column to compare levels of.
        strata: Columns to compare within.
        once: Each row is a case in which a thing happens once or not at all.
    """
    levels = at_risk[factor].drop_nulls().unique().sort()
    level = at_risk[factor].replace_strict(levels, range(len(levels)), default=-1, return_dtype=pl.Int64).to_numpy()
    number = at_risk.select(
        stratum=pl.concat_str(pl.lit(""), *strata, separator="|", ignore_nulls=True).rank("dense").cast(pl.Int64) - 1,
        vehicle=pl.col("vehicle_id").rank("dense").cast(pl.Int64) - 1,
    )
    return Places(
        rows=rows,
        factor=factor,
        levels=tuple(levels),
        level=level,
        stratum=number["stratum"].to_numpy(),
        vehicle=number["vehicle"].to_numpy(),
        months=at_risk["exposure"].to_numpy().astype(np.float64),
        once=once,
    )


def pairs_of(thing: Thing, places: Places) -> list[Pair]:
    """A thing at every level at which enough of it is expected, compared with the other levels.

    Args:
        thing: What happened.
        places: Within the rows on which it could have.
    """
    counted = _counted(thing, places)
    if counted is None:
        return []
    return [_pair(thing, places, int(number), counted) for number in np.flatnonzero(counted.enough)]


def pair_at(thing: Thing, places: Places, level: str) -> Pair | None:
    """A thing at one level; None: too little of it is expected there to be compared."""
    counted, number = _counted(thing, places), places.levels.index(level)
    return _pair(thing, places, number, counted) if counted and counted.enough[number] else None


@dataclass(frozen=True, kw_only=True)
class _Counted:
    """A thing's events by stratum and level."""

    seen: Int64s  # [S, L], those that the test rests on: each, or where they are few a vehicle's first at each level
    events: Bools  # [n], which of the thing's events lie on rows at a known level
    dispersion: float
    enough: Bools  # [L], whether LEAST_EXPECTED are expected at each level


def _counted(thing: Thing, places: Places) -> _Counted | None:
    events = places.level[thing.rows] >= 0
    rows = thing.rows[events]
    if len(rows) < LEAST_EVENTS or not _compares(places):
        return None
    every = _by_cell(rows, places)
    if len(rows) >= MANY or places.once:
        dispersion = _dispersion(rows, places, every)
        return _Counted(seen=every, events=events, dispersion=dispersion, enough=_enough(every, places))
    # Too few to tell how they gather on vehicles: what one does again at the level says nothing more.
    first = rows[np.unique(places.vehicle[rows] * len(places.levels) + places.level[rows], return_index=True)[1]]
    seen = _by_cell(first, places)
    return _Counted(seen=seen, events=events, dispersion=1.0, enough=_enough(seen, places))


def _compares(places: Places) -> bool:
    """Whether there are others: a second level, or what is lent."""
    is_lent = places.lent is not None and bool(places.lent.events.any())
    return is_lent or int(np.count_nonzero(places.time.sum(axis=0))) > 1


def _enough(seen: Int64s, places: Places) -> Bools:
    events, time = _with_lent(seen.sum(axis=1), places)
    rate = np.divide(events, time, out=np.zeros(len(time)), where=time > 0)
    return np.asarray(rate @ places.time >= LEAST_EXPECTED)


def _with_lent(events: Int64s, places: Places) -> tuple[Int64s, Float64s]:
    """[S], [S] events and time of all levels together, with what they are lent."""
    time = places.time.sum(axis=1)
    return (events, time) if places.lent is None else (events + places.lent.events, time + places.lent.time)


def _by_cell(rows: Int64s, places: Places) -> Int64s:
    return np.bincount(places.cell[rows], minlength=places.time.size).reshape(places.time.shape).astype(np.int64)


def _pair(thing: Thing, places: Places, number: int, counted: _Counted) -> Pair:
    exposed_time, (total, time) = places.time[:, number], _with_lent(counted.seen.sum(axis=1), places)
    every = int(np.count_nonzero(counted.events))
    comparison = Comparison(
        exposed_events=counted.seen[:, number],
        events=total,
        exposed_time=exposed_time,
        time=time,
        dispersion=counted.dispersion,
        once=places.once,
    )
    exposed = np.flatnonzero(counted.events & (places.level[thing.rows] == number))
    return Pair(
        factor=places.factor,
        level=places.levels[number],
        kind=thing.kind,
        what=thing.what,
        vehicles=len(set(places.vehicle[thing.rows[exposed]].tolist())),
        exposed_events=len(exposed),
        exposed_months=float(exposed_time.sum()),
        events=every,
        months=float(places.time.sum()),
        comparison=comparison,
        excess=excess(comparison),
        at=tuple(thing.at[k] for k in exposed),
        rows=places.rows,
        episodes=frozenset(thing.episode[exposed].tolist()),
    )


def _dispersion(rows: Int64s, places: Places, seen: Int64s) -> float:
    """Scatter of the vehicles' counts about what the rate of their own cells lets expect; 1 where it can't be told."""
    if len(rows) < MANY:
        return 1.0
    rate = np.divide(seen, places.time, out=np.zeros(seen.shape), where=places.time > 0).ravel()
    vehicle, cell, months = places.runs
    vehicles = int(places.vehicle.max()) + 1
    counts = np.bincount(places.vehicle[rows], minlength=vehicles).astype(np.float64)
    expected = np.bincount(vehicle, weights=months * rate[cell], minlength=vehicles).astype(np.float64)
    return vehicle_dispersion(counts, expected, parameters=len(np.unique(rate[places.cells])))
