"""Early warning: calibrations and part batches that are still new, watched event by event against all others.

Findings wait for a difference over the whole record; a watch asks after each event whether it is already clear.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipelines.handover import Bools, Float64s
from pipelines.recurring.compared import Ground
from pipelines.recurring.comparing import Places, Subject, Thing
from pipelines.recurring.rates import poisson_limits
from pipelines.recurring.returns import ANY
from pipelines.recurring.sprt import log_likelihood_ratio, needed_ratio

A_YEAR = timedelta(days=365)  # from the first vehicle that has it (judgement)
FALSE_WARNINGS = 0.05  # chance of any false one among all that is watched
LEAST_EVENTS = 3  # before anything is said (judgement)
WITHIN = {"calibration": "engine_family", "part_batch": "component"}  # what the levels of a factor are compared within
LEAST_OTHER_MONTHS = 24.0  # vehicle-months of others that say what is usual (judgement)
MONTHS_A_YEAR = 12.0
SCHEMA = pl.Schema(
    {
        "rows": pl.String(), "factor": pl.String(), "level": pl.String(), "of": pl.String(), "kind": pl.String(),
        "what": pl.String(), "began_at": pl.Datetime("us", "UTC"), "vehicles": pl.Int64(), "months": pl.Float64(),
        "events": pl.Int64(), "affected": pl.Int64(), "expected": pl.Float64(), "rate_ratio": pl.Float64(),
        "low": pl.Float64(), "high": pl.Float64(), "evidence_ratio": pl.Float64(), "needed": pl.Float64(),
        "warned_at": pl.Datetime("us", "UTC"),
    }
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Watched:
    """One factor whose new levels are watched."""

    ground: Ground
    factor: str

    @property
    def of(self) -> str:
        """The column that says within what its levels are compared."""
        return WITHIN[self.factor]


@dataclass(frozen=True, kw_only=True)
class _Watch:
    factor: str
    level: str
    of: str
    thing: Thing
    mine: Bools  # [M]
    began_at: datetime
    usual: float  # events a month of the others
    most_expected: float  # over the whole watch, should everything get it


@dataclass(frozen=True, kw_only=True)
class _Sides:
    """Rows [M] that are alike, those of the level watched and the others, and what is counted of them."""

    alike: Bools
    here: Bools
    others: Bools
    time: float  # months of the others
    vehicles: int
    began: float  # when the first of them begins, seconds since 1970


def rollout_watch(factors: Sequence[Watched], *, as_of: datetime) -> pl.DataFrame:
    """Of each level that is new, the thing that speaks most against it.

    The rate of all others of the same family or component is what is expected, with one event more than they had, so
    that nothing is expected never. Among all that is watched there is a false warning with FALSE_WARNINGS.

    Args:
        factors: Calibrations on vehicle-months, batches on jobs.
        as_of: A level is watched for A_YEAR from its first row on.

    Returns:
        SCHEMA, what was warned of first; `affected` of the `vehicles` that have the level, `evidence_ratio` the highest
        log-likelihood ratio so far, `needed` the one from which it warns, `warned_at` when it was reached first (null:
        not so far).
    """
    watches = [(watch, factor.ground) for factor in factors for watch in _watches(factor, as_of)]
    rows = [_row(watch, ground, len(watches)) for watch, ground in watches]
    return (
        pl.DataFrame(rows, schema=SCHEMA)
        .sort("factor", "level", "what")
        .sort(pl.col("evidence_ratio") / pl.col("needed"), descending=True, maintain_order=True)
        .unique(["factor", "level", "of"], keep="first", maintain_order=True)
    )


def subject_of(row: Mapping[str, Any]) -> Subject:
    """What a row of the watch is about."""
    return Subject(
        factor=row["factor"], level=row["level"], kind=row["kind"], what=row["what"], rows=row["rows"],
        of=(WITHIN[row["factor"]], row["of"]),
    )  # fmt: skip


def _watches(watched: Watched, as_of: datetime) -> Iterator[_Watch]:
    ground = watched.ground
    places = next(place for place in ground.places if place.factor == watched.factor)
    kinds = ground.rows[watched.of]
    began = (
        ground.start.to_frame("start")
        .with_columns(level=pl.Series(places.level))
        .filter(pl.col("level") >= 0)
        .group_by("level")
        .agg(pl.col("start").min())
        .filter(pl.col("start") >= as_of - A_YEAR)
        .sort("level")
    )
    names = kinds.unique().drop_nulls().sort()
    of = kinds.replace_strict(names, range(len(names)), default=-1, return_dtype=pl.Int64).to_numpy()
    for number, begin in began.iter_rows():
        home = int(np.bincount(of[(places.level == number) & (of >= 0)], minlength=1).argmax())
        family = (of == home) & (places.level >= 0)
        sides: dict[tuple[int, str], _Sides] = {}  # shared by things that could happen on the same rows
        for thing in ground.things:
            if thing.kind == "correction" or thing.what == ANY:
                continue  # that a calibration moves a correction is its shift, told elsewhere, and no trouble yet
            key = (id(thing.at_risk), thing.kind)
            if key not in sides:
                sides[key] = _sides(ground, ground.place(watched.factor, thing.kind), number, thing.at_risk & family)
            side = sides[key]
            if not side.alike[thing.rows].any() or side.time < LEAST_OTHER_MONTHS or begin.timestamp() <= side.began:
                continue  # one that came with the first of them has nothing before it
            usual = (int(side.others[thing.rows].sum()) + 1) / side.time
            yield _Watch(
                factor=places.factor, level=places.levels[number], of=str(names[home]), thing=thing,
                mine=side.here, began_at=begin, usual=usual, most_expected=usual * side.vehicles * MONTHS_A_YEAR,
            )  # fmt: skip


def _sides(ground: Ground, places: Places, number: int, alike: Bools) -> _Sides:
    """A level beside the others, on the rows that are alike."""
    others = alike & (places.level != number)
    return _Sides(
        alike=alike,
        here=alike & (places.level == number),
        others=others,
        time=float(places.months[others].sum()),
        vehicles=len(np.unique(places.vehicle[alike])),
        began=float(ground.begins[alike].min(initial=np.inf)),
    )


def _row(watch: _Watch, ground: Ground, watched: int) -> dict[str, object]:
    places, thing = ground.place(watch.factor, watch.thing.kind), watch.thing
    order = np.argsort(np.array([at.timestamp() for at in thing.at]), kind="stable")
    mine = order[watch.mine[thing.rows[order]]]
    at = [thing.at[k] for k in mine]
    rows = np.flatnonzero(watch.mine)
    times = np.array([when.timestamp() for when in at])
    expected = watch.usual * _exposure_by(times, ground.begins[rows], places.months[rows])
    ratios = [
        log_likelihood_ratio(n, value) if n >= LEAST_EVENTS else 0.0
        for n, value in enumerate(np.maximum(expected, 1e-12).tolist(), 1)
    ]
    most = float(f"{max(watch.most_expected, 0.01):.1e}")  # two figures: what is needed hardly depends on it
    needed = needed_ratio(FALSE_WARNINGS / max(watched, 1), most, LEAST_EVENTS)
    warned = next((when for when, ratio in zip(at, ratios, strict=True) if ratio >= needed), None)
    total = watch.usual * float(places.months[rows].sum())
    low, high = poisson_limits(len(at))
    return {
        "rows": ground.name, "factor": watch.factor, "level": watch.level, "of": watch.of, "kind": thing.kind,
        "what": thing.what, "began_at": watch.began_at, "vehicles": len(np.unique(places.vehicle[rows])),
        "months": float(places.months[rows].sum()), "events": len(at),
        "affected": len(np.unique(places.vehicle[thing.rows[mine]])), "expected": total,
        "rate_ratio": len(at) / total, "low": low / total, "high": high / total,
        "evidence_ratio": max(ratios, default=0.0), "needed": needed, "warned_at": warned,
    }  # fmt: skip


def _exposure_by(times: Float64s, begin: Float64s, months: Float64s) -> Float64s:
    """Months at risk up to each time, [times]; times and begins in seconds.

    Each row's grows evenly from its begin to its end: what all would have without an end, less what those that have
    ended would have had since.
    """
    length = np.maximum(months * 30.4375 * 86_400, 1.0)
    since = float(begin.min(initial=np.inf))  # sums of times that are counted from 1970 would lose digits
    rates = months / length
    return _evenly(times - since, begin - since, rates) - _evenly(times - since, begin + length - since, rates)


def _evenly(times: Float64s, edges: Float64s, rates: Float64s) -> Float64s:
    """Sum of what grows at each rate from each edge on, at each time, [times]."""
    order = np.argsort(edges, kind="stable")
    rate = np.append(0.0, np.cumsum(rates[order]))
    lag = np.append(0.0, np.cumsum(rates[order] * edges[order]))
    begun = np.searchsorted(edges[order], times, side="right")
    grown: Float64s = times * rate[begun] - lag[begun]
    return grown
