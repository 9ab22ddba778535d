"""One vehicle's expectation, taken apart, adds up and agrees with what the whole fleet's run published."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from drift_fleets import World, light_fleet

from pipelines.drift.correction_paths import PATH_SCHEMA, correction_paths
from pipelines.settings import Settings

WORLD = World(vehicles=24, corrections=3, weeks=50, seed=5)
ONE = "vehicle-00003"


def alone(fleet):
    evidence = fleet.evidence
    mine = pl.col("vehicle_id") == ONE
    return replace(evidence, snapshots=evidence.snapshots.filter(mine), vehicles=evidence.vehicles.filter(mine))


def test_the_parts_add_up_and_agree_with_the_published_state(drift_of):
    fleet = light_fleet(WORLD)
    drift = drift_of(fleet)
    paths = correction_paths(alone(fleet), drift.extras)
    assert dict(paths.schema) == {name: pl.Schema(PATH_SCHEMA)[name] for name in PATH_SCHEMA}
    parts = paths["centre"] + paths["season"] + paths["offset"] + paths["relearning"]
    np.testing.assert_allclose(parts, paths["expected"], atol=1e-6)
    last = paths.group_by("correction", maintain_order=True).last()
    states = drift.correction_state.filter(pl.col("vehicle_id") == ONE)
    np.testing.assert_array_equal(last["expected"], states["expected"])
    np.testing.assert_array_equal(
        last["level"].cast(pl.Float32), (states["expected"] + states["deviation"]).cast(pl.Float32)
    )
    np.testing.assert_allclose(last["value"], states["value"])
    assert (last["band_low"] < last["expected"]).all()


def test_what_a_calibration_moved_is_kept(drift_of):
    fleet = light_fleet(replace(WORLD, weeks=70))
    number = np.array([int(name.split("-")[1]) for name in fleet.evidence.snapshots["vehicle_id"]])
    late = pl.Series((fleet.day > 280 + number) & (number % 5 > 0))
    moved = fleet.evidence.snapshots.with_columns(pl.col("channel_2") + 5 * late.cast(pl.Float32))  # of a sigma of 1
    readings = fleet.history.readings.with_columns(calibration=pl.when(late).then(pl.lit("B")).otherwise(pl.lit("A")))
    fleet = replace(
        fleet,
        evidence=replace(fleet.evidence, snapshots=moved.with_columns(readings["calibration"])),
        history=replace(fleet.history, readings=readings),
    )
    drift = drift_of(fleet)
    kept = drift.extras["drift_shift"].filter(correction="channel_2", calibration_to="B").sort("week_from")
    assert kept["mean"][-1] == pytest.approx(5, abs=0.7)  # four fifths of 24 vehicles: the season takes some along
    paths = correction_paths(alone(fleet), drift.extras)
    assert (paths["evidence"] < paths["threshold"]).all()
    last = paths.group_by("correction", maintain_order=True).last()
    states = drift.correction_state.filter(pl.col("vehicle_id") == ONE)
    np.testing.assert_allclose((last["expected"] - states["expected"]) / np.geomspace(0.1, 10, 3), 0, atol=0.3)


def test_the_statistic_stands_beside_the_threshold_that_the_promise_asks_for(drift_of):
    fleet = light_fleet(WORLD)
    strict = correction_paths(alone(fleet), drift_of(fleet, false_alarms_per_vehicle_year=0.05).extras)
    loose = correction_paths(alone(fleet), drift_of(fleet, false_alarms_per_vehicle_year=0.5).extras)
    assert (strict["threshold"] - loose["threshold"]).to_numpy() == pytest.approx(np.log(10), abs=1e-6)
    assert Settings().false_alarms_per_vehicle_year == 0.1


def test_a_family_that_was_never_learned_has_no_paths(drift_of):
    fleet = light_fleet(WORLD)
    extras = drift_of(fleet).extras
    other = alone(fleet)
    unknown = replace(other, vehicles=other.vehicles.with_columns(engine_family=pl.lit("another")))
    assert correction_paths(unknown, extras).height == 0
    assert correction_paths(other, {}).height == 0
