"""A limit date within 90 days and a low chance of a fault, or the other way round: the basis says why. A second."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipelines.catalogue.tables import published_tables
from pipelines.forecast.agreement import disagreements
from pipelines.forecast.hazard import forecast_by_stored_model

AS_OF = datetime(2031, 5, 1, tzinfo=UTC)


def states(*rows):
    schema = {"vehicle_id": pl.String, "correction": pl.String, "limit_at_p50": pl.Datetime("us", "UTC")}
    return pl.DataFrame(rows, schema=schema, orient="row")


def chances(**of):
    rows = [(vehicle, days, chance) for vehicle, chance in of.items() for days in (7, 30, 90)]
    return pl.DataFrame(rows, schema=["vehicle_id", "horizon_days", "probability"], orient="row")


def test_where_both_say_the_same_nothing_is_added():
    soon, late = AS_OF + timedelta(days=60), AS_OF + timedelta(days=120)
    known = states(("a", "trim", soon), ("b", "trim", late), ("c", "trim", None))
    assert not disagreements(known, chances(a=0.7, b=0.2, c=0.1), {}, as_of=AS_OF, seen=None)


@pytest.mark.parametrize(("seen", "why"), [((0.31, 40), "of 40 vehicles here"), (None, "too few vehicles")])
def test_a_date_with_a_low_chance_and_a_chance_without_a_date_say_why(seen, why):
    known = states(("a", "trim", AS_OF + timedelta(days=80)), ("a", "idle", AS_OF + timedelta(days=60)))
    said = disagreements(known, chances(a=0.2, b=0.8), {"idle": "Idle air"}, as_of=AS_OF, seen=seen)
    assert why in said["a"]
    assert said["a"].startswith("; Idle air may be at its limit by 30 June if it goes on")
    assert "no limit is expected to be met" in said["b"]
    said = disagreements(known, chances(a=0.2), {}, as_of=AS_OF, seen=seen, without_code=["trim", "idle"])
    assert said["a"].endswith("which sets no code, so that it adds nothing to the chance")
    said = disagreements(known, chances(a=0.2), {}, as_of=AS_OF, seen=seen, without_code=["idle"])
    assert said["a"].startswith("; trim may be at its limit by 20 July")


def test_every_published_row_agrees_with_its_date_or_says_why(learned, failing_fleet):
    evidence, vehicles = failing_fleet.evidence, failing_fleet.evidence.vehicles["vehicle_id"]
    dated = published_tables()["correction_state"].empty().select("vehicle_id", "correction", "limit_at_p50")
    soon = pl.lit(evidence.as_of + timedelta(days=45)).cast(dated.schema["limit_at_p50"])
    dated = pl.concat([dated, pl.select(vehicle_id=vehicles, correction=pl.lit("trim_a"), limit_at_p50=soon)])
    drift = replace(failing_fleet.drift, correction_state=dated.filter(pl.col("vehicle_id") < "v100"))
    made = forecast_by_stored_model(
        learned.model, drift, failing_fleet.outliers, evidence=evidence, history=failing_fleet.history
    ).fault_forecast
    known = set(drift.correction_state["vehicle_id"])
    month = made.filter(pl.col("horizon_days") == 90)
    told = {"lower": 0, "none": 0}
    for vehicle, chance, basis in month.select("vehicle_id", "probability", "basis").iter_rows():
        low, high = vehicle in known and chance < 0.5, vehicle not in known and chance >= 0.5
        assert ("yet the chance is lower" in basis) == low
        assert ("no limit is expected" in basis) == high
        told["lower"] += low
        told["none"] += high
    assert min(told.values()) > 0
