"""Invented fleets in which something is wrong at one place, or nowhere."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.recurring.comparing import compare, overlap, places_of, things_of

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
        "row", "what", "vehicle_id", kind=pl.lit("cause"), at=pl.col("month").cast(pl.Datetime("us", "UTC"))
    )


def compared(months, events):
    places = [places_of(months, factor, ["engine_family"]) for factor in ("depot", "duty")]
    return sorted(compare([(things_of(events), places)]), key=lambda entry: entry[1])


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
    pair, q_value = compared(months, happened(months, rate=0.01, ratio=3.0, seed=100 + seed))[0]
    assert (pair.factor, pair.level, pair.what) == ("depot", "Saltings", "thing-0")
    assert q_value < 0.05


def test_fleets_with_shuffled_labels_rarely_give_a_finding():
    months = at_risk(seed=11)
    events = happened(months, rate=0.008, ratio=3.0, seed=11)
    with_any = sum(compared(shuffled(months, seed), events)[0][1] <= 0.05 for seed in range(60))
    assert with_any <= 8  # 5 % promised: 3 expected, 9 or more by chance once in 300


def test_a_family_that_breaks_more_is_no_issue_of_its_depot():
    months = at_risk(seed=5)
    months = months.with_columns(
        depot=pl.when(pl.col("engine_family") == "rowan").then(pl.lit("Saltings")).otherwise(pl.col("depot"))
    )
    pairs = compared(months, happened(months, rate=0.01, things=3, seed=105))
    assert min(q_value for pair, q_value in pairs if pair.factor == "depot") > 0.05


def test_too_few_events_are_not_compared():
    months = at_risk()
    few = happened(months, rate=0.01, things=1).head(4)
    assert compare([(things_of(few), [places_of(months, "depot", ["engine_family"])])]) == []


def test_months_of_unknown_level_are_left_out():
    months = at_risk().with_columns(depot=pl.when(pl.col("month") < date(2031, 1, 1)).then("depot"))
    events = happened(at_risk(), rate=0.02, things=1)
    pairs = compare([(things_of(events), [places_of(months, "depot", ["engine_family"])])])
    assert {pair.months for pair, _ in pairs} == {12.0 * 120}


def test_levels_that_cover_the_same_time_overlap_wholly():
    months = at_risk().with_columns(pl.when(pl.col("depot") == "Saltings").then(pl.lit("river")).alias("duty"))
    depot, duty = (places_of(months, factor, []) for factor in ("depot", "duty"))
    assert overlap(depot, "Saltings", duty, "river") == pytest.approx(1.0)
    assert overlap(depot, "Millrace", duty, "river") == 0.0


def test_an_issue_is_dated_by_its_first_event_at_that_level():
    months = at_risk()
    events = happened(months, rate=0.02, things=1)
    at_depot = events.filter(pl.Series(months["depot"].to_numpy()[events["row"].to_numpy()] == "Saltings"))
    pair = next(p for p, _ in compared(months, events) if p.level == "Saltings")
    assert pair.first_seen_at == at_depot["at"].min()
    assert pair.first_seen_at >= datetime(2030, 1, 1, tzinfo=UTC) - timedelta(days=1)
