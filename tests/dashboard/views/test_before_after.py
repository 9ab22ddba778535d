"""What an event changed: a known step is found beside a season that all share, and nothing where there is none."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from dashboard.views.before_after import (
    LEAST_VEHICLES,
    before_after,
    calibration_events,
    median_interval,
    note_events,
    work_events,
)
from dashboard.views.joined import Choice
from dashboard.views.wording import Reader

BEGIN = datetime(2031, 1, 6, tzinfo=UTC)
READER = Reader(as_of=BEGIN + timedelta(weeks=60))
CORRECTION = {"title": "idle trim", "unit": "%"}


def fleet(step: float, *, changed: int = 12, peers: int = 12) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Readings, events and vehicles: everybody climbs 0.2 a week, some get the step after week 20."""
    rows = [
        {
            "vehicle_id": f"V{number}",
            "read_at": BEGIN + timedelta(weeks=week),
            "value": number + 0.2 * week + (step if number < changed and week >= 20 else 0.0),
            "calibration": "B" if number < changed and week >= 20 else "A",
        }
        for number in range(changed + peers)
        for week in range(40)
    ]
    values = pl.DataFrame(rows).with_columns(pl.col("read_at").cast(pl.Datetime("us", "UTC")))
    vehicles = pl.DataFrame(
        {"vehicle_id": [f"V{number}" for number in range(changed + peers)], "engine_family": "Rowan 2.0"}
    ).with_columns(depot=pl.lit("Saltings"), duty=pl.lit(None, dtype=pl.String))
    return values, calibration_events(values), vehicles


def found(step: float, **sizes: int):
    values, events, vehicles = fleet(step, **sizes)
    return before_after(values, events, correction=CORRECTION, vehicles=vehicles, choice=Choice(), reader=READER)


def test_new_fuel_noted_at_a_depot_is_an_event_of_its_vehicles_held_against_other_depots():
    values, _, vehicles = fleet(5.0)
    placed = vehicles.with_columns(depot=pl.Series(["Saltings"] * 12 + ["Millrace"] * 12))
    at = [BEGIN + timedelta(weeks=20)] * 3
    notes = pl.DataFrame({"at": at, "about": ["Saltings", "fleet", "V20"], "text": ["new fuel", "frost", "towed"]})
    events = note_events(notes.with_columns(pl.col("at").cast(pl.Datetime("us", "UTC"))), placed)
    assert sorted(events.filter(pl.col("what") == "new fuel")["vehicle_id"]) == sorted(f"V{n}" for n in range(12))
    assert events.filter(pl.col("what") != "new fuel").select("vehicle_id", "what").rows() == [("V20", "towed")]
    view = before_after(
        values, events.filter(pl.col("what") == "new fuel"), correction=CORRECTION, vehicles=placed, choice=Choice(),
        reader=READER,
    )  # fmt: skip
    assert view.vehicles["change"].to_list() == pytest.approx([5.0] * 12)


def test_a_step_is_found_without_the_season_that_all_share():
    view = found(5.0)
    assert view.vehicles["change"].to_list() == pytest.approx([5.0] * 12)
    assert view.sentence.replace("\N{NO-BREAK SPACE}", " ").startswith(
        "Idle trim rose by 5 points more than that of its peers (between +5 and +5 points)."
    )
    after = view.weekly.filter(pl.col("week") > 0)["median"].to_list()
    assert after == pytest.approx([5.0] * len(after))
    assert view.weekly.filter(pl.col("week") < 0)["median"].to_list() == pytest.approx([0.0] * 12)


def test_where_nothing_changed_none_is_said():
    values, events, vehicles = fleet(0.0)
    noise = np.random.default_rng(5).normal(size=values.height)
    shaken = values.with_columns(pl.col("value") + noise)
    view = before_after(shaken, events, correction=CORRECTION, vehicles=vehicles, choice=Choice(), reader=READER)
    assert "cannot be ruled out" in view.sentence


def test_without_peers_nothing_is_claimed():
    view = found(5.0, peers=2)
    assert "peers without one" in view.sentence
    assert not view.vehicles.height


def test_too_few_have_no_interval():
    assert "too few for an interval" in found(5.0, changed=LEAST_VEHICLES - 1).sentence


@pytest.mark.parametrize(("size", "low", "high"), [(6, 1, 6), (10, 2, 9), (20, 6, 15)])
def test_the_median_interval_is_that_of_the_published_table(size, low, high):
    assert median_interval(pl.Series(range(1, size + 1))) == (low, high)


def test_work_that_changes_no_part_is_no_event():
    work = pl.DataFrame(
        {
            "vehicle_id": ["V1"] * 3,
            "done_at": [BEGIN] * 3,
            "kind": ["inspection", "replacement", "repair"],
            "component": ["engine", "idle_valve", None],
        }
    ).with_columns(pl.col("done_at").cast(pl.Datetime("us", "UTC")))
    assert work_events(work, {"idle_valve": "Idle air valve"})["what"].to_list() == ["Idle air valve"]
