"""Everything that is compared in one analysis: events and jobs laid on time at risk, and the stories that stand out."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property

import numpy as np
import polars as pl

from pipelines.handover import Bools, Evidence, Float64s, History, Int64s
from pipelines.recurring.comparing import Pair, Places, Subject, Thing, pairs_of, places_of, things_of
from pipelines.recurring.could_have import CouldHave, could_have
from pipelines.recurring.events import events
from pipelines.recurring.exposure import FACTORS, strata_for, vehicle_months
from pipelines.recurring.lent import lent
from pipelines.recurring.returns import (
    ANY,
    HABIT_STRATA,
    JOB_FACTORS,
    JOB_STRATA,
    PARTS,
    WHO_DID_IT,
    jobs,
    returned,
    said_of_reset,
    without_reset,
)
from pipelines.recurring.seen import Seen
from pipelines.recurring.stories import Story, findings_of, stories_of

COMPARES_TIMES = ("calibration",)  # factors whose levels follow each other on nearly all vehicles
LIKE = 2.0  # events that a quarter's rate is drawn to the mean by (judgement)


@dataclass(frozen=True, kw_only=True)
class Ground:
    """Rows of time at risk, M, with what happened on them and the factors laid on them.

    Attributes:
        name: What the rows are.
        rows: `vehicle_id`, strata and factors.
        start: When each row begins, UTC.
        things: What happened.
        places: One a factor.
        usual: By kind of thing, [M], how usual that kind was in each row's quarter over the whole record's mean.
    """

    name: str
    rows: pl.DataFrame
    start: pl.Series
    things: Sequence[Thing]
    places: Sequence[Places]
    usual: Mapping[str, Float64s] = field(default_factory=dict)

    def thing(self, subject: Subject) -> Thing:
        """What happened, of a subject on this ground."""
        return next(thing for thing in self.things if (thing.kind, thing.what) == (subject.kind, subject.what))

    def compared(self, subject: Subject) -> Places:
        """A subject's factor, within the rows on which it could have happened."""
        within = self.thing(subject).at_risk
        if subject.of is not None:
            column, value = subject.of
            within = within & (self.rows[column] == value).fill_null(value=False).to_numpy()
        return self.place(subject.factor, subject.kind).within(within)

    def place(self, factor: str, kind: str) -> Places:
        """A factor of this ground, for things of a kind.

        What compares one time with another (a calibration with the one before it) has its months weighed by how usual
        things of the kind were then: alarms need a record, and causes are ranked of what stands now.
        """
        weighed = factor in COMPARES_TIMES and kind in self.usual
        key = (factor, kind if weighed else "")
        if key not in self._places:
            place = next(place for place in self.places if place.factor == factor)
            self._places[key] = replace(place, months=place.months * self.usual[kind]) if weighed else place
        return self._places[key]

    @cached_property
    def _places(self) -> dict[tuple[str, str], Places]:
        """Those that were asked for."""
        return {}

    @cached_property
    def begins(self) -> Float64s:
        """[M] when each row begins, seconds since 1970."""
        return self.start.dt.epoch("s").to_numpy().astype(np.float64)

    @cached_property
    def months(self) -> tuple[pl.Series, Int64s]:
        """The calendar months in which rows begin, and the number of each row's, [M]."""
        month = self.start.dt.truncate("1mo").dt.date()
        return month.unique().sort(), month.rank("dense").cast(pl.Int64).to_numpy() - 1


@dataclass(frozen=True, kw_only=True)
class Compared:
    """One analysis' comparisons.

    Attributes:
        months: From `vehicle_months`.
        stood: From `jobs`.
        grounds: Vehicle-months, jobs, jobs that are told of.
        findings: Stories sure and large enough to act on, surest first.
    """

    months: pl.DataFrame
    stood: pl.DataFrame
    grounds: Sequence[Ground]
    findings: Sequence[Story]

    def ground(self, subject: Subject) -> Ground:
        """The rows that a subject lies on."""
        return next(ground for ground in self.grounds if ground.name == subject.rows)


def compare(
    seen: Seen, correction_state: pl.DataFrame, cause_ranking: pl.DataFrame, *, evidence: Evidence, history: History
) -> Compared:
    """Every pair of thing and level with enough expected events, tried among the vehicles that could have it.

    Codes, drifts and causes are compared by where and what the vehicle is; work that came back, or went without its
    reset, by who did it and with which part.

    Args:
        seen: What the vehicles' readings say.
        correction_state: The contract's table.
        cause_ranking: The contract's table.
        evidence: Vehicles, families and work.
        history: Readings and fault events.
    """
    months = vehicle_months(evidence, history)
    stood = jobs(evidence, history, seen.repair_outcome, months)
    told = said_of_reset(stood)
    possible = could_have(seen.read, corrections=evidence.corrections, families=evidence.families)
    every = events(seen.drifts, correction_state, cause_ranking, evidence=evidence, history=history)
    happened = _on_months(every, months)
    begins = months["month"].cast(pl.Datetime("us", "UTC"))
    grounds = (
        Ground(
            name="vehicle-month",
            rows=months,
            start=begins,
            things=things_of(happened, _where(months, possible)),
            places=[places_of(months, factor, strata_for(factor), rows="vehicle-month") for factor in FACTORS],
            usual=_usual(happened, months),
        ),
        _ground_of_jobs("job", stood, returned(stood), JOB_FACTORS, JOB_STRATA),
        _ground_of_jobs("job told of", told, without_reset(told), WHO_DID_IT, HABIT_STRATA, once=True),
    )
    return Compared(months=months, stood=stood, grounds=grounds, findings=_findings(grounds))


def _ground_of_jobs(
    name: str, rows: pl.DataFrame, happened: pl.DataFrame, factors: Sequence[str], strata: Sequence[str], *,
    once: bool = False,
) -> Ground:  # fmt: skip
    places = [places_of(rows, factor, strata, rows=name, once=once) for factor in factors]
    events = happened.filter(pl.col("what") == ANY)["row"].cast(pl.Int64).to_numpy()
    return Ground(
        name=name,
        rows=rows,
        start=rows["done_at"],
        things=things_of(happened, _all_of(rows)),
        places=[_lent_to(place, events) if place.factor in PARTS else place for place in places],
    )


def _lent_to(place: Places, events: Int64s) -> Places:
    """The same place, what its strata have lent by each other; `events`: rows of all that happened."""
    seen = np.bincount(place.stratum[events], minlength=place.strata)
    time = np.bincount(place.stratum, place.months, place.strata).astype(np.float64)
    return replace(place, lent=lent(seen, time))


def _on_months(happened: pl.DataFrame, months: pl.DataFrame) -> pl.DataFrame:
    """Events with the row of their vehicle-month; those outside observation are left out."""
    rows = months.with_row_index("row").select("row", "vehicle_id", "month")
    return happened.with_columns(month=pl.col("at").dt.truncate("1mo").dt.date()).join(rows, on=["vehicle_id", "month"])


def _where(months: pl.DataFrame, possible: CouldHave) -> Callable[[str, str], Bools]:
    """Of a thing, the vehicle-months in which it could have happened and would have been seen."""
    read = {"code": months["memory_read"].fill_null(value=False).to_numpy()}
    everywhere = np.ones(months.height, dtype=bool)

    @cache
    def rows(families: frozenset[str] | None, kind: str) -> Bools:
        had = everywhere if families is None else months["engine_family"].is_in(sorted(families)).to_numpy()
        return np.asarray(had & read.get(kind, everywhere))

    return lambda kind, what: rows(possible.of(kind, what), kind if kind in read else "")


def _all_of(rows: pl.DataFrame) -> Callable[[str, str], Bools]:
    """Of a component, the jobs on it."""
    return lambda _kind, what: rows.select((pl.lit(what == ANY) | (pl.col("component") == what)).alias("at_risk"))[
        "at_risk"
    ].to_numpy()


def _usual(happened: pl.DataFrame, months: pl.DataFrame) -> dict[str, Float64s]:
    """Of each kind, [M], the rate of its quarter over the mean, drawn to it by LIKE events (gamma-Poisson)."""
    time = months.group_by("quarter").agg(time=pl.col("exposure").sum())
    found = {}
    for kind in happened["kind"].unique().sort():
        mine = happened.filter(pl.col("kind") == kind)
        rate = mine.height / max(float(months["exposure"].sum()), 1e-12)
        seen = months[mine["row"]].group_by("quarter").agg(events=pl.len())
        weights = time.join(seen, on="quarter", how="left").with_columns(
            weight=(pl.col("events").fill_null(0) + LIKE) / (pl.col("time") * rate + LIKE)
        )
        found[kind] = months.join(weights, on="quarter", how="left", maintain_order="left")["weight"].to_numpy()
    return found


def _findings(grounds: Sequence[Ground]) -> list[Story]:
    """Stories of every ground, judged together."""
    by_name = {ground.name: ground for ground in grounds}
    return findings_of(
        [story for ground in grounds for story in stories_of(_pairs(ground))],
        {(thing.kind, thing.what): thing for ground in grounds for thing in ground.things},
        lambda pair: by_name[pair.rows].place(pair.factor, pair.kind),
    )


def _pairs(ground: Ground) -> list[Pair]:
    """Every thing at every place; things that could happen on the same rows share what is counted of these."""
    alike: dict[tuple[int, str], list[Thing]] = {}
    for thing in ground.things:
        alike.setdefault((id(thing.at_risk), thing.kind), []).append(thing)
    pairs: list[Pair] = []
    for things in alike.values():  # one after the other: what is counted of rows takes their size, many times over
        for each in ground.places:
            place = ground.place(each.factor, things[0].kind).within(things[0].at_risk)
            pairs += [pair for thing in things for pair in pairs_of(thing, place)]
    return pairs
