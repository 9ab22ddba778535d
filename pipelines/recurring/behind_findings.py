"""What stands behind each finding: the vehicles with their events, and the trend by month beside what was expected."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import polars as pl

from pipelines.handover import Float64s
from pipelines.recurring.compared import Compared
from pipelines.recurring.comparing import Places, Subject, Thing
from pipelines.recurring.returns import ANY

VEHICLES = pl.Schema(
    {"issue_id": pl.String(), "vehicle_id": pl.String(), "at": pl.Datetime("us", "UTC"), "what": pl.String()}
)
TREND = pl.Schema(
    {
        "issue_id": pl.String(), "month": pl.Date(), "events": pl.Int64(), "expected": pl.Float64(),
        "months": pl.Float64(),
    }
)  # fmt: skip


def vehicles_behind(
    findings: Mapping[str, Sequence[Subject]], compared: Compared, words: Callable[[Subject], str]
) -> pl.DataFrame:
    """One row per vehicle and time at which something of a finding happened: VEHICLES, by issue and time.

    Vehicles are those that a finding counts, which have what leads it; what else it holds is listed on these alone.

    Args:
        findings: What each is about, by issue_id; what leads it first.
        compared: What they were found in.
        words: What a subject is called.
    """
    rows: list[tuple[object, ...]] = []
    for issue, subjects in findings.items():
        counted: set[str] = set()
        for subject in subjects:
            ground = compared.ground(subject)
            thing = ground.thing(subject)
            vehicle = ground.rows["vehicle_id"].gather(thing.rows)
            exposed = exposed_events(thing, ground.compared(subject), subject.level)
            if subject is subjects[0]:
                counted = {vehicle[event] for event in exposed}
            rows += [
                (issue, vehicle[event], thing.at[event], words(subject), subject.what == ANY)
                for event in exposed
                if vehicle[event] in counted
            ]
    special = pl.col("what").filter(
        ~pl.col("any") | pl.col("any").all()
    )  # not 'any component' beside one that is named
    return (
        pl.DataFrame(rows, schema={**VEHICLES, "any": pl.Boolean()}, orient="row")
        .group_by("issue_id", "vehicle_id", "at")
        .agg(special.unique().sort().str.join("; "))
        .sort("issue_id", "at", "vehicle_id")
        .cast(VEHICLES)
    )


def trend_of(findings: Mapping[str, Sequence[Subject]], compared: Compared) -> pl.DataFrame:
    """One row per finding and month, of the first that it is about: TREND. Work stands in the month it was done in.

    `expected`: events at the rate that the others have in the same strata; `months`: time at risk at the level.
    """
    parts = []
    for issue, (head, *_) in findings.items():
        ground = compared.ground(head)
        thing, place = ground.thing(head), ground.compared(head)
        here = place.level == place.levels.index(head.level)
        seen = np.bincount(thing.rows, minlength=len(here)).astype(np.float64)
        names, month = ground.months
        usual = _usual(seen, place, here) * place.months
        summed = [np.bincount(month[here], weight[here], len(names)) for weight in (seen, usual, place.months)]
        told = np.flatnonzero(np.bincount(month[here], minlength=len(names)))
        parts.append(
            pl.DataFrame(
                {
                    "issue_id": [issue] * len(told),
                    "month": names.gather(told),
                    "events": summed[0][told].astype(np.int64),
                    "expected": summed[1][told],
                    "months": summed[2][told],
                },
                schema=TREND,
            )
        )
    return pl.concat([pl.DataFrame(schema=TREND), *parts]).sort("issue_id", "month")


def exposed_events(thing: Thing, place: Places, level: str) -> list[int]:
    """Which of a thing's events happened at a level."""
    number = place.levels.index(level)
    return [int(n) for n in np.flatnonzero(place.level[thing.rows] == number)]


def _usual(seen: Float64s, place: Places, here: np.ndarray) -> Float64s:
    """[M] rate of the others in each row's stratum; where there is none, of all others."""
    others = (place.level >= 0) & ~here
    events = np.bincount(place.stratum[others], weights=seen[others], minlength=place.strata)
    time = np.bincount(place.stratum[others], weights=place.months[others], minlength=place.strata)
    pooled = events.sum() / max(float(time.sum()), 1e-12)
    rate: Float64s = np.where(time > 0, events / np.maximum(time, 1e-12), pooled)[place.stratum]
    return rate
