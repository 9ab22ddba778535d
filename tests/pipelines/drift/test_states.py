"""States of the contract: not read, not fitted, not learning, relearning; vehicles in and out of service."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
from drift_fleets import World, light_fleet

from pipelines.catalogue.tables import drop_tables

WORLD = World(vehicles=12, corrections=3, weeks=40, seed=6)
ONE = "vehicle-00004"


def test_a_correction_missing_lately_or_always_is_not_read(drift_of, changed, state):
    fleet = changed(light_fleet(WORLD), "channel_1", lambda vehicle, _, x: np.where(vehicle == ONE, np.nan, x))
    fleet = changed(fleet, "channel_2", lambda vehicle, day, x: np.where((vehicle == ONE) & (day > 200), np.nan, x))
    drift = drift_of(fleet)
    assert state(drift, ONE, "channel_1")["state"] == "not_read"
    assert state(drift, ONE, "channel_1")["value"] is None
    assert state(drift, ONE, "channel_2")["state"] == "not_read"
    assert state(drift, ONE, "channel_2")["value"] is not None
    assert state(drift, ONE, "channel_3")["state"] == "steady"


def test_a_correction_read_by_a_family_that_lacks_it_is_not_fitted(drift_of):
    fleet = light_fleet(WORLD)
    like = drop_tables()["families"].schema
    row = {"engine_family": "family-0", "fitted": "nothing"}
    families = pl.DataFrame({name: [row.get(name)] for name in like}, schema=like)
    needs = pl.when(pl.col("code") == "channel_2").then(pl.lit("turbo")).otherwise(pl.col("needs"))
    corrections = fleet.evidence.corrections.with_columns(needs=needs)
    drift = drift_of(replace(fleet, evidence=replace(fleet.evidence, families=families, corrections=corrections)))
    by_code = dict(drift.correction_state.group_by("correction").agg(pl.col("state").unique()).iter_rows())
    assert by_code["channel_2"] == ["not_fitted"]
    assert by_code["channel_1"] == ["steady"]


def test_a_value_that_stands_still_while_the_engine_is_used_is_not_learning(drift_of, changed):
    fleet = changed(
        light_fleet(WORLD),
        "channel_3",
        lambda vehicle, day, x: np.where((vehicle == ONE) & (day > 150), np.median(x[vehicle == ONE]), x),
    )
    fleet = changed(fleet, "channel_1", lambda _, __, x: np.round(x / 0.3) * 0.3)
    drift = drift_of(fleet)
    stands = drift.correction_state.filter(pl.col("state") == "not_learning")
    assert stands.select("vehicle_id", "correction").rows() == [(ONE, "channel_3")]


def test_relearning_is_told_and_ends(drift_of, with_epoch, changed, state):
    late = WORLD.weeks * 7 - 20
    fleet = changed(
        light_fleet(WORLD), "channel_2",
        lambda vehicle, day, x: np.where((vehicle == ONE) & (day > late), 0.0, x),
    )  # fmt: skip
    corrections = fleet.evidence.corrections.with_columns(learn_hours=pl.lit(10.0))
    fleet = replace(fleet, evidence=replace(fleet.evidence, corrections=corrections))
    assert state(drift_of(with_epoch(fleet, ONE, late)), ONE, "channel_2")["state"] == "relearning"
    assert state(drift_of(with_epoch(light_fleet(WORLD), ONE, 100)), ONE, "channel_2")["state"] == "steady"


def test_vehicles_out_of_service_have_no_rows_and_new_ones_without_readings_have(drift_of):
    fleet = light_fleet(WORLD)
    today = fleet.evidence.as_of.date()
    retired = pl.when(pl.col("vehicle_id") == "vehicle-00001").then(pl.lit(today - timedelta(days=1)))
    coming = pl.when(pl.col("vehicle_id") == "vehicle-00002").then(pl.lit(today + timedelta(days=1)))
    vehicles = fleet.evidence.vehicles.with_columns(retired_on=retired, in_service_on=coming)
    new = vehicles.head(1).with_columns(vehicle_id=pl.lit("vehicle-new"))
    evidence = replace(fleet.evidence, vehicles=pl.concat([vehicles, new]))
    states = drift_of(replace(fleet, evidence=evidence)).correction_state
    found = set(states["vehicle_id"])
    assert "vehicle-00001" not in found
    assert "vehicle-00002" not in found
    assert states.filter(pl.col("vehicle_id") == "vehicle-new")["state"].to_list() == ["not_read"] * 3
