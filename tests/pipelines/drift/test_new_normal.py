"""An alarm ends: what levels off harmlessly becomes normal; what harms stays, and what was never healthy shows."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from drift_fleets import START, World, light_fleet

from pipelines.history.fault_events import SCHEMA

QUIET = World(vehicles=40, corrections=2, weeks=100, seed=3)
VEHICLE = "vehicle-00007"
SIGMA = 0.1  # of channel_1


@pytest.fixture(scope="module")
def fleet():
    return light_fleet(QUIET)


@pytest.fixture
def planted(fleet, changed):
    """Function: change in sigmas of channel_1 by day -> the fleet with it on one vehicle."""

    def run(size):
        return changed(
            fleet, "channel_1", lambda vehicle, day, x: x + np.where(vehicle == VEHICLE, SIGMA * size(day), 0.0)
        )

    return run


def alarms_of(drift):
    family = drift.families[0]
    rows = slice(*family.panel.row_start[family.panel.vehicles.index(VEHICLE) :][:2])
    day = (family.panel.read_at[rows] - np.datetime64(START.replace(tzinfo=None))) / np.timedelta64(1, "D")
    return day, family.alarm[rows, 0]


def test_a_small_step_alarms_and_then_becomes_the_new_normal(planted, drift_of, state):
    drift = drift_of(planted(lambda day: np.where(day > 300, 3.5, 0.0)))
    row = state(drift, VEHICLE, "channel_1")
    day, alarm = alarms_of(drift)
    assert alarm[(day > 300) & (day < 360)].any()
    assert not alarm[day > 500].any()
    assert row["state"] == "steady"
    assert abs(row["changed_at"] - (START + timedelta(days=300))) < timedelta(days=15)
    assert abs(row["deviation"]) < 1.5 * SIGMA
    healthy = state(drift_of(planted(np.zeros_like)), VEHICLE, "channel_1")
    assert row["expected"] - healthy["expected"] == pytest.approx(3.5 * SIGMA, abs=1.2 * SIGMA)
    assert healthy["changed_at"] is None


@pytest.mark.parametrize("size", [12.0, -12.0])
def test_a_large_step_is_no_normal_however_long_it_has_held(planted, drift_of, state, size):
    drift = drift_of(planted(lambda day: np.where(day > 200, size, 0.0)))
    row = state(drift, VEHICLE, "channel_1")
    assert row["state"] == "outside"
    assert row["alarm"]
    assert row["changed_at"] is None


def test_what_creeps_towards_its_limit_keeps_its_alarm(planted, drift_of, state):
    drift = drift_of(planted(lambda day: np.maximum(day - 250, 0) / 30 * 0.8))
    day, alarm = alarms_of(drift)
    assert alarm[day > 475].all()
    assert state(drift, VEHICLE, "channel_1")["state"] == "drifting"


def test_a_level_that_no_healthy_engine_has_is_outside_from_its_first_reading(planted, drift_of, state):
    drift = drift_of(planted(lambda day: np.full_like(day, 18.0)))
    _, alarm = alarms_of(drift)
    assert alarm.all()
    row = state(drift, VEHICLE, "channel_1")
    assert row["state"] == "outside"
    assert row["onset_at"] is None
    assert row["deviation"] > 10 * SIGMA
    assert drift.correction_state.filter(~pl.col("vehicle_id").is_in([VEHICLE]) & pl.col("alarm")).height <= 1


def test_its_alarm_ends_when_it_is_mended(planted, drift_of, state):
    drift = drift_of(planted(lambda day: np.where(day < 400, 18.0, 0.0)))
    day, alarm = alarms_of(drift)
    assert alarm[day < 400].all()
    assert not alarm[day > 440].any()
    assert abs(state(drift, VEHICLE, "channel_1")["z"]) < 2


def test_what_grows_away_from_all_it_may_relearn_alarms_through_relearning(planted, drift_of, with_epoch, fleet):
    hours = fleet.evidence.corrections.with_columns(learn_hours=pl.lit(60.0))
    made = planted(lambda day: np.where(day > 400, 3.0 + np.maximum(day - 400, 0) / 7 * 2.0, 0.0))
    made = replace(made, evidence=replace(made.evidence, corrections=hours))
    day, alarm = alarms_of(drift_of(with_epoch(made, VEHICLE, 400)))
    assert alarm[(day > 435) & (day < 480)].any()


def test_too_few_readings_to_say_is_relearning(fleet, drift_of):
    as_of = START + timedelta(days=24)
    evidence, history = fleet.evidence, fleet.history
    early = replace(
        fleet,
        evidence=replace(evidence, as_of=as_of, snapshots=evidence.snapshots.filter(pl.col("read_at") <= as_of)),
        history=replace(history, readings=history.readings.filter(pl.col("read_at") <= as_of)),
    )
    assert set(drift_of(early).correction_state["state"]) == {"relearning"}


@pytest.mark.parametrize("weeks", [40, 60, 99])
def test_state_and_band_agree_in_every_row(drift_of, weeks):
    rough = light_fleet(
        replace(
            QUIET, corrections=6, weeks=weeks, drifting=1.0, resets=1.5, memory=(0.5, 0.8), learn_hours=4.0,
            wander=0.3, step=(0.0, 1.0), seed=weeks,
        )
    )  # fmt: skip
    rows = drift_of(rough).correction_state.with_columns(level=pl.col("expected") + pl.col("deviation"))
    slack = 1e-3 * (pl.col("band_high") - pl.col("band_low"))
    inside = (pl.col("level") > pl.col("band_low") - slack) & (pl.col("level") < pl.col("band_high") + slack)
    well_inside = (pl.col("level") > pl.col("band_low") + slack) & (pl.col("level") < pl.col("band_high") - slack)
    assert rows.filter((pl.col("state") == "steady") & ~inside).height == 0
    assert rows.filter((pl.col("state") == "outside") & well_inside).height == 0
    assert rows.filter(pl.col("state").is_in(["drifting", "outside"]) != pl.col("alarm")).height == 0
    assert rows["alarm"].sum() > 0


def test_a_small_step_of_which_a_code_speaks_is_no_normal(planted, drift_of):
    made = planted(lambda day: np.where(day > 300, 3.5, 0.0))
    corrections = made.evidence.corrections.with_columns(fault_high=pl.lit("P0171"))
    found = START + timedelta(days=330)
    event = {"vehicle_id": [VEHICLE], "code": ["P0171"], "found_at": [found], "ended_at": [None]}
    events = pl.DataFrame(event, schema={name: SCHEMA[name] for name in event})
    coded = replace(
        made, evidence=replace(made.evidence, corrections=corrections),
        history=replace(made.history, fault_events=events),
    )  # fmt: skip
    day, alarm = alarms_of(drift_of(coded))
    assert alarm[day > 400].all()
