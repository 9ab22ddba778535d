"""Invented fleets in which something is wrong at one place, or nowhere."""

from datetime import UTC, date, datetime

import numpy as np
import polars as pl
import pytest

from pipelines.recurring.comparing import pairs_of, places_of, things_of
from pipelines.recurring.stories import came_at_once, findings_of, stories_of

MONTHS = 24
DEPOTS = np.array(["Millrace", "Saltings", "High Moor"])


def at_risk(vehicles=120, seed=0):
    rng = np.random.default_rng(seed)
    depot = rng.choice(DEPOTS, vehicles)
    family = rng.choice(["alder", "rowan"], vehicles)
    duty = rng.choice(["parcels", "service"], vehicles)
    return pl.DataFrame(
        {
            "vehicle_id": np.repeat([f"van-{n:03}" for n in range(vehicles)], MONTHS),
            "month": [date(2030 + m // 12, m % 12 + 1, 1) for m in range(MONTHS)] * vehicles,
            "exposure": np.ones(vehicles * MONTHS),
            "depot": np.repeat(depot, MONTHS),
            "duty": np.repeat(duty, MONTHS),
            "engine_family": np.repeat(family, MONTHS),
        }
    )


def happened(months, *, rate, ratio=1.0, depot="Saltings", things=8, seed=1):
    """Events of several things; the first is more frequent at one depot."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(things):
        raised = ratio if number == 0 else 1.0
        mean = np.where((months["depot"] == depot).to_numpy(), raised, 1.0) * rate
        mean = mean * np.where((months["engine_family"] == "rowan").to_numpy(), 3.0, 1.0)
        rows += [(f"thing-{number}", row) for row in np.flatnonzero(rng.random(months.height) < mean)]
    events = pl.DataFrame(rows, schema=["what", "row"], orient="row")
    return events.join(months.with_row_index("row").cast({"row": pl.Int64}), on="row").select(
        "row",
        "what",
        "vehicle_id",
        kind=pl.lit("cause"),
        at=pl.col("month").cast(pl.Datetime("us", "UTC")),
        episode=pl.int_range(pl.len()),
    )


def told(months, events, factors=("depot", "duty"), strata=("engine_family",)):
    """Things, places and pairs of a fleet in which everything can happen anywhere."""
    everywhere = np.ones(months.height, dtype=bool)
    places = [places_of(months, factor, strata, rows="month") for factor in factors]
    things = things_of(events, lambda _kind, _what: everywhere)
    return things, places, [pair for thing in things for place in places for pair in pairs_of(thing, place)]


def findings(months, events):
    things, places, pairs = told(months, events)
    return findings_of(
        stories_of(pairs),
        {(thing.kind, thing.what): thing for thing in things},
        lambda pair: next(place for place in places if place.factor == pair.factor),
    )


def shuffled(months, seed):
    """Depots and duties given to other vehicles of the same family."""
    rng = np.random.default_rng(seed)
    vehicles = months.unique("vehicle_id", maintain_order=True)
    for family in ("alder", "rowan"):
        inside = np.flatnonzero(vehicles["engine_family"] == family)
        order = np.arange(vehicles.height)
        order[inside] = rng.permutation(inside)
        vehicles = vehicles.with_columns(
            pl.Series(name, vehicles[name].to_numpy()[order]) for name in ("depot", "duty")
        )
    return months.drop("depot", "duty").join(
        vehicles.select("vehicle_id", "depot", "duty"), on="vehicle_id", maintain_order="left"
    )


@pytest.mark.parametrize("seed", range(3))
def test_a_depot_with_three_times_the_rate_comes_first(seed):
    months = at_risk(seed=seed)
    found = findings(months, happened(months, rate=0.01, ratio=3.0, seed=100 + seed))
    head = found[0].head
    assert (head.factor, head.level, head.what) == ("depot", "Saltings", "thing-0")
    assert found[0].q_value < 0.05


def test_fleets_with_shuffled_labels_rarely_give_a_finding():
    months = at_risk(seed=11)
    events = happened(months, rate=0.008, ratio=3.0, seed=11)
    with_any = sum(bool(findings(shuffled(months, seed), events)) for seed in range(60))
    assert with_any <= 8  # 5 % promised: 3 expected, 9 or more by chance once in 300


def test_a_family_that_breaks_more_is_no_finding_about_its_depot():
    months = at_risk(seed=5)
    months = months.with_columns(
        depot=pl.when(pl.col("engine_family") == "rowan").then(pl.lit("Saltings")).otherwise(pl.col("depot"))
    )
    found = findings(months, happened(months, rate=0.01, things=3, seed=105))
    assert [story for story in found if story.head.factor == "depot"] == []


def test_too_few_events_are_not_compared():
    months = at_risk()
    assert told(months, happened(months, rate=0.01, things=1).head(4))[2] == []


def test_months_of_unknown_level_are_left_out():
    months = at_risk().with_columns(depot=pl.when(pl.col("month") < date(2031, 1, 1)).then("depot"))
    pairs = told(months, happened(at_risk(), rate=0.02, things=1), factors=["depot"])[2]
    assert {pair.months for pair in pairs} == {12.0 * 120}


def test_vehicles_that_could_not_have_a_thing_are_not_its_others():
    months = at_risk()
    events = happened(months, rate=0.02, things=1)
    rowan = (months["engine_family"] == "rowan").to_numpy()
    thing = things_of(events, lambda _kind, _what: rowan)[0]
    assert rowan[thing.rows].all()
    places = places_of(months, "depot", [], rows="month").within(rowan)
    assert {pair.months for pair in pairs_of(thing, places)} == {float(rowan.sum())}
    assert pairs_of(thing, places_of(months, "engine_family", [], rows="month").within(rowan)) == []


def test_another_factor_over_the_same_vehicles_is_inside_the_finding():
    months = at_risk(seed=1).with_columns(
        duty=pl.when(pl.col("depot") == "Saltings").then(pl.lit("river")).otherwise(pl.lit("road"))
    )
    found = findings(months, happened(months, rate=0.01, ratio=4.0, seed=101))
    assert len(found) == 1
    assert {found[0].head.level, *(pair.level for pair in found[0].within)} == {"Saltings", "river"}


def test_things_of_the_same_episodes_are_one_story_told_by_the_cause():
    months = at_risk(seed=2)
    causes = happened(months, rate=0.01, ratio=4.0, seed=102)
    codes = causes.filter(what="thing-0").with_columns(kind=pl.lit("code"), what=pl.lit("P0300"))
    alone, joined = findings(months, causes), findings(months, pl.concat([causes, codes]))
    assert [story.head.what for story in joined] == [story.head.what for story in alone]
    assert {pair.what for pair in joined[0].pairs} == {"thing-0", "P0300"}


def test_what_came_at_once_on_several_vehicles_is_told_by_its_date():
    months = at_risk(seed=3)
    spread = told(months, happened(months, rate=0.02, things=1))[2]
    assert all(came_at_once(pair) is None for pair in spread)
    week = happened(months, rate=0.05, things=1).filter(pl.col("at").dt.date() == date(2030, 5, 1))
    pairs = told(months, week)[2]
    assert {came_at_once(pair) for pair in pairs if pair.vehicles >= 5} == {datetime(2030, 5, 1, tzinfo=UTC)}


def test_a_pair_is_dated_by_its_first_event_at_that_level():
    months = at_risk()
    events = happened(months, rate=0.02, things=1)
    at_depot = events.filter(pl.Series(months["depot"].to_numpy()[events["row"].to_numpy()] == "Saltings"))
    pair = next(p for p in told(months, events)[2] if p.level == "Saltings")
    assert pair.first_seen_at == at_depot["at"].min()
