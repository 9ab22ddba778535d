from dataclasses import fields, replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.catalogue.tables import published_tables
from pipelines.forecast.features import features_of
from pipelines.forecast.hazard import forecast_by_stored_model, forecast_faults
from pipelines.forecast.origins import origins_at
from pipelines.forecast.outcomes import days, record_of
from pipelines.forecast.past import past_of
from pipelines.forecast.scores import auc
from pipelines.forecast.stored import StoredModelError
from pipelines.settings import Settings


def forecast(fleet, **changes):
    evidence = replace(fleet.evidence, **changes)
    return forecast_faults(
        fleet.drift, fleet.outliers, evidence=evidence, history=fleet.history, settings=Settings(seed=1)
    )


def assert_published(frame, vehicles):
    table = published_tables()["fault_forecast"]
    assert frame.schema == table.schema
    assert frame.height == 3 * vehicles
    assert frame.select(table.key).is_unique().all()
    assert (
        frame.select((pl.col("low") <= pl.col("probability")) & (pl.col("probability") <= pl.col("high")))
        .to_series()
        .all()
    )
    assert frame["low"].min() >= 0
    assert frame["high"].max() <= 1
    wide = frame.pivot("horizon_days", index="vehicle_id", values="probability")
    assert (wide["7"] <= wide["30"] + 1e-12).all()
    assert (wide["30"] <= wide["90"] + 1e-12).all()


def test_a_fleet_with_faults_gets_a_learned_forecast_in_contract_form(learned):
    assert_published(learned.fault_forecast, vehicles=150)
    assert learned.fault_forecast["basis"].unique().to_list()[0].startswith("learned from ")
    assert "weighed and calibrated on" in learned.fault_forecast["basis"][0]


def test_vehicles_that_will_set_a_fault_are_put_first(fleet_of):
    arguments = {"vehicles": 120, "weeks": 64, "straying": 0.8, "seed": 3}
    then, after = fleet_of(**arguments, until=52), fleet_of(**arguments)
    rows = forecast(then).fault_forecast.filter(pl.col("horizon_days") == 30)
    soon = after.history.fault_events.filter(
        pl.col("set_at").is_between(then.evidence.as_of, then.evidence.as_of + timedelta(days=30))
    )
    fault = rows["vehicle_id"].is_in(soon["vehicle_id"].to_list()).cast(pl.Float64).to_numpy()
    assert fault.sum() >= 5
    assert auc(rows["probability"].to_numpy(), fault, np.ones(len(fault))) > 0.95
    assert rows["probability"].sum() == pytest.approx(fault.sum(), rel=0.5)


def known_at(fleet, at):
    """What features say of every vehicle at one time, and which vehicles these are."""
    record = record_of(fleet.evidence, fleet.history)
    origins = origins_at(fleet.drift, record, at)
    known = {"evidence": fleet.evidence, "history": fleet.history}
    return origins.vehicle, features_of(origins, fleet.drift, fleet.outliers, record, **known)


def test_nothing_that_came_later_changes_what_is_learned_of_a_past_date(fleet_of):
    arguments = {"vehicles": 60, "weeks": 60, "straying": 0.8, "sudden": 0.5, "repairs": True, "seed": 4}
    then, later = fleet_of(**arguments, until=45), fleet_of(**arguments)
    assert later.history.fault_events.height > then.history.fault_events.height > 20
    at = days(pl.Series([then.evidence.as_of.replace(tzinfo=None)]))
    (vehicles, told), (same_vehicles, told_later) = known_at(then, at), known_at(later, at)
    np.testing.assert_array_equal(vehicles, same_vehicles)
    assert np.ptp(told.values, axis=0).astype(bool).sum() > 12  # most features tell vehicles apart here
    assert told.nearing.used.any()
    for one, other in ((told, told_later), (told.nearing, told_later.nearing)):
        for name in {field.name for field in fields(one)} - {"nearing"}:
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


def test_of_what_followed_a_past_date_only_what_was_known_by_a_time_is_learned(failing_fleet):
    evidence, history = failing_fleet.evidence, failing_fleet.history
    record = record_of(evidence, history)
    now = days(pl.Series([evidence.as_of.replace(tzinfo=None)]))[0]
    past = past_of(failing_fleet.drift, failing_fleet.outliers, record, now, evidence=evidence, history=history, seed=1)
    until = now - 70
    time, faults = past.watched(until)
    set_at = (past.origins.at + past.outcomes.fault)[faults.sum(axis=1) > 0]
    assert len(set_at) > 20
    assert set_at.max() <= until
    assert (past.origins.at[time.sum(axis=1) > 0]).max() < until
    assert past.watched(now)[1].sum() > faults.sum()


def test_without_any_fault_the_first_passage_forecasts_and_says_so(faultless_fleet):
    made = forecast(faultless_fleet).fault_forecast
    assert_published(made, vehicles=40)
    assert made["basis"].unique().to_list()[0].startswith("first passage of the limits, and a prior rate")
    month = made.filter(pl.col("horizon_days") == 30).sort("probability")
    straying = faultless_fleet.onset < 24
    worst = {f"v{vehicle:03d}" for vehicle in np.flatnonzero(straying)}
    assert month["vehicle_id"][-1] in worst
    assert month["probability"][0] < 0.05


def test_fleets_whose_limits_are_never_met_are_forecast_from_their_faults(fleet_of):
    arguments = {"vehicles": 120, "weeks": 70, "straying": 0.8, "seed": 6, "limits": False}
    then, after = fleet_of(**arguments, until=54), fleet_of(**arguments)
    rows = forecast(then).fault_forecast.filter(pl.col("horizon_days") == 30)
    soon = after.history.fault_events.filter(
        pl.col("set_at").is_between(then.evidence.as_of, then.evidence.as_of + timedelta(days=30))
    )
    fault = rows["vehicle_id"].is_in(soon["vehicle_id"].to_list()).cast(pl.Float64).to_numpy()
    assert auc(rows["probability"].to_numpy(), fault, np.ones(len(fault))) > 0.95


def test_the_likely_code_is_one_that_the_leading_correction_can_set(learned):
    month = learned.fault_forecast.filter(pl.col("horizon_days") == 30).sort("probability")
    assert set(month["likely_code"].tail(5)) <= {"P0171", "P0507"}


def test_retired_vehicles_and_those_not_yet_in_service_have_no_forecast(learned, failing_fleet):
    today = failing_fleet.evidence.as_of.date()
    vehicles = failing_fleet.evidence.vehicles.with_columns(
        retired_on=pl.when(pl.col("vehicle_id") == "v001").then(pl.lit(today - timedelta(days=1))),
        in_service_on=pl.when(pl.col("vehicle_id") == "v002").then(pl.lit(today + timedelta(days=1))),
    )
    known = {"evidence": replace(failing_fleet.evidence, vehicles=vehicles), "history": failing_fleet.history}
    made = forecast_by_stored_model(learned.model, failing_fleet.drift, failing_fleet.outliers, **known)
    ids = set(made.fault_forecast["vehicle_id"])
    assert "v003" in ids
    assert not ids & {"v001", "v002"}


def test_what_the_model_learned_is_laid_open(learned):
    terms = set(learned.model["term"])
    assert {"faults", "prior rate", "loss few", "loss together", "share leeway", "recent observed/expected"} <= terms
    weights = learned.model.filter(pl.col("term") == "weight leeway used")
    assert (weights["value"] >= 0).all()


def test_a_stored_model_forecasts_the_same_as_on_the_day_it_was_learned(learned, failing_fleet):
    known = {"evidence": failing_fleet.evidence, "history": failing_fleet.history}
    again = forecast_by_stored_model(learned.model, failing_fleet.drift, failing_fleet.outliers, **known)
    figures = ["vehicle_id", "horizon_days", "probability", "low", "high", "likely_code"]
    assert_frame_equal(again.fault_forecast.select(figures), learned.fault_forecast.select(figures))
    for then, now in zip(learned.fault_forecast["basis"], again.fault_forecast["basis"], strict=True):
        rests_on, _, why = now.partition(", by the model of an earlier week")
        assert rests_on + why == then


def test_a_model_that_was_never_learned_is_no_stored_model(faultless_fleet):
    model = forecast(faultless_fleet).model
    known = {"evidence": faultless_fleet.evidence, "history": faultless_fleet.history}
    with pytest.raises(StoredModelError, match="holds no learned hazard"):
        forecast_by_stored_model(model, faultless_fleet.drift, faultless_fleet.outliers, **known)


def test_an_empty_fleet_gets_an_empty_forecast(faultless_fleet):
    fleet = replace(faultless_fleet, drift=replace(faultless_fleet.drift, families=()))
    assert forecast(fleet).fault_forecast.is_empty()
