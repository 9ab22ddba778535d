"""Which things happen more often at which level of a factor: time at risk and events in, compared pairs out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from pipelines.handover import Float64s, Int64s
from pipelines.recurring.rates import Comparison, benjamini_hochberg, excess_p, vehicle_dispersion

LEAST_EVENTS = 5  # of one thing in the fleet before its places are compared
LEAST_EXPECTED = 0.5  # events expected at a level before it is compared: chosen without looking at where they fell


@dataclass(frozen=True, kw_only=True)
class Pair:
    """One thing at one level of a factor, compared with the other levels."""

    factor: str
    level: str
    kind: str
    what: str
    vehicles: int  # with the thing at the level
    exposed_events: int
    exposed_months: float
    events: int
    months: float
    comparison: Comparison
    p_value: float
    first_seen_at: datetime | None


@dataclass(frozen=True, kw_only=True)
class Thing:
    """One thing that happened, laid on the rows of time at risk."""

    kind: str
    what: str
    rows: Int64s  # [n], the row of each event
    at: tuple[datetime, ...]  # [n]


@dataclass(frozen=True, kw_only=True)
class Places:
    """One factor laid on the M rows of time at risk."""

    factor: str
    levels: tuple[str, ...]
    level: Int64s  # [M], number of the level; -1: not known
    stratum: Int64s  # [M]
    vehicle: Int64s  # [M], number of the vehicle
    months: Float64s  # [M]; 0 where the level is not known


def compare(parts: Sequence[tuple[Sequence[Thing], Sequence[Places]]]) -> list[tuple[Pair, float]]:
    """Every pair that has enough to be compared, with its q-value over all of them.

    Args:
        parts: Things and the places to compare them at; a part's things and places lie on the same rows.
    """
    pairs = [pair for things, places in parts for thing in things for place in places for pair in _pairs(thing, place)]
    q_values = benjamini_hochberg(np.array([pair.p_value for pair in pairs]))
    return list(zip(pairs, q_values.tolist(), strict=True))


def things_of(happened: pl.DataFrame) -> list[Thing]:
    """Things with LEAST_EVENTS or more.

    Args:
        happened: One row per event: `kind, what, row` (of the time at risk), `at`.
    """
    groups = happened.sort("kind", "what", "at", "row").group_by("kind", "what", maintain_order=True)
    return [
        Thing(
            kind=str(kind),
            what=str(what),
            rows=group["row"].cast(pl.Int64).to_numpy(),
            at=tuple(group["at"]),
        )
        for (kind, what), group in groups
        if group.height >= LEAST_EVENTS
    ]


def places_of(at_risk: pl.DataFrame, factor: str, strata: Sequence[str]) -> Places:
    """One factor on the rows of time at risk.

    Args:
        at_risk: One row per piece of time: `vehicle_id`, `exposure` (months), the factor and the strata as text.
        factor: Column to compare levels of.
        strata: Columns to compare within.
    """
    levels = at_risk[factor].drop_nulls().unique().sort()
    level = at_risk[factor].replace_strict(levels, range(len(levels)), default=-1, return_dtype=pl.Int64).to_numpy()
    number = at_risk.select(
        stratum=pl.concat_str(pl.lit(""), *strata, separator="|", ignore_nulls=True).rank("dense").cast(pl.Int64) - 1,
        vehicle=pl.col("vehicle_id").rank("dense").cast(pl.Int64) - 1,
    )
    return Places(
        factor=factor,
        levels=tuple(levels),
        level=level,
        stratum=number["stratum"].to_numpy(),
        vehicle=number["vehicle"].to_numpy(),
        months=np.where(level >= 0, at_risk["exposure"].to_numpy(), 0.0),
    )


def overlap(one: Places, level: str, other: Places, other_level: str) -> float:
    """Time at both levels as a share of the time at either: near 1, the two cannot be told apart."""
    here = one.level == one.levels.index(level)
    there = other.level == other.levels.index(other_level)
    either = np.maximum(one.months, other.months)
    return float(either[here & there].sum() / max(either[here | there].sum(), 1e-12))


def _pairs(thing: Thing, places: Places) -> Iterator[Pair]:
    rows = thing.rows[places.level[thing.rows] >= 0]
    if len(rows) < LEAST_EVENTS or len(places.levels) < 2:
        return
    strata, levels = int(places.stratum.max()) + 1, len(places.levels)
    cell = places.stratum * levels + np.maximum(places.level, 0)
    cells = np.bincount(cell, weights=places.months, minlength=strata * levels).astype(np.float64)
    seen = np.bincount(cell[rows], minlength=strata * levels)
    dispersion = _dispersion(rows, places, np.divide(seen, cells, out=np.zeros(len(cells)), where=cells > 0)[cell])
    time, total = (array.reshape(strata, levels).sum(axis=1) for array in (cells, seen))
    for number, level in enumerate(places.levels):
        exposed_time = cells.reshape(strata, levels)[:, number]
        share = np.divide(exposed_time, time, out=np.zeros(strata), where=time > 0)
        if total @ share < LEAST_EXPECTED:
            continue
        comparison = Comparison(
            exposed_events=seen.reshape(strata, levels)[:, number],
            events=total,
            exposed_time=exposed_time,
            time=time,
            dispersion=dispersion,
        )
        exposed = rows[places.level[rows] == number]
        at = [when for when, level_then in zip(thing.at, places.level[thing.rows], strict=True) if level_then == number]
        yield Pair(
            factor=places.factor,
            level=level,
            kind=thing.kind,
            what=thing.what,
            vehicles=len(set(places.vehicle[exposed].tolist())),
            exposed_events=len(exposed),
            exposed_months=float(exposed_time.sum()),
            events=len(rows),
            months=float(time.sum()),
            comparison=comparison,
            p_value=excess_p(comparison),
            first_seen_at=min(at, default=None),
        )


def _dispersion(rows: Int64s, places: Places, rate: Float64s) -> float:
    """Scatter of the vehicles' counts about what the rate of their own cells lets expect; rate: [M], per month."""
    vehicles = int(places.vehicle.max()) + 1
    seen = np.bincount(places.vehicle[rows], minlength=vehicles).astype(np.float64)
    expected = np.bincount(places.vehicle, weights=places.months * rate, minlength=vehicles).astype(np.float64)
    return vehicle_dispersion(seen, expected, parameters=len(np.unique(rate)))
