"""What real fleets do that breaks promises: regions that sleep, vehicles unlike in noise, resets without a repair."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from drift_fleets import START, World, light_fleet


def test_a_region_that_sleeps_half_of_the_year_keeps_the_promise_and_its_noise(drift_of, changed):
    fleet = light_fleet(World(vehicles=60, corrections=4, weeks=104, step=0.5, season=0, depot_season=0, seed=4))

    def asleep(vehicle, day, values):
        out = values.copy()
        for row in range(1, len(out)):
            if vehicle[row] == vehicle[row - 1] and (day[row] + vehicle_lag[vehicle[row]]) % 365 < 180:
                out[row] = out[row - 1]
        return out

    names = sorted(set(fleet.evidence.snapshots["vehicle_id"]))
    vehicle_lag = dict(zip(names, np.random.default_rng(1).uniform(0, 40, len(names)), strict=True))
    drift = drift_of(changed(fleet, "channel_2", asleep)).families[0]
    assert drift.sigma[1] / np.geomspace(0.1, 10, 4)[1] == pytest.approx(1.0, abs=0.2)
    started = np.diff(drift.alarm[:, 1].astype(int)) == 1
    assert started.sum() <= 2  # 0.1 a vehicle-year of four corrections: one is expected in 60 vehicles


def test_a_step_that_is_learned_after_months_asleep_is_seen(drift_of, changed, state):
    fleet = light_fleet(World(vehicles=60, corrections=2, weeks=80, step=0.5, season=0, depot_season=0, seed=5))

    def change(vehicle, day, values):
        out = values + np.where((vehicle == "vehicle-00003") & (day > 350), 9 * 0.1, 0)
        for row in range(1, len(out)):
            if vehicle[row] == vehicle[row - 1] and 100 < day[row] % 365 < 300:
                out[row] = out[row - 1]
        return out

    drift = drift_of(changed(fleet, "channel_1", change))
    assert state(drift, "vehicle-00003", "channel_1")["alarm"]
    assert not state(drift, "vehicle-00004", "channel_1")["alarm"]


QUIET = World(vehicles=60, corrections=2, weeks=90, season=0, depot_season=0, memory=0.3, seed=6)
VEHICLE = "vehicle-00003"


def planted(size):
    """Change of channel_1 (sigma 0.1) of one vehicle by `size` sigmas at a day."""

    def change(vehicle, day, values):
        return values + 0.1 * np.where(vehicle == VEHICLE, size(day), 0.0)

    return change


@pytest.mark.parametrize("size", [6.0, 10.0, -10.0])
def test_a_defect_that_a_reset_did_not_cure_strays_again_by_its_whole_size(drift_of, changed, with_epoch, state, size):
    fleet = changed(light_fleet(QUIET), "channel_1", planted(lambda day: np.where(day > 300, size, 0.0)))
    found = state(drift_of(with_epoch(fleet, VEHICLE, 400)), VEHICLE, "channel_1")
    assert found["alarm"]
    assert found["z"] == pytest.approx(size, abs=1.5)


def test_a_defect_that_two_resets_did_not_cure_is_no_normal_to_compare_its_repair_with(
    drift_of, changed, with_epoch, state
):
    fleet = changed(
        light_fleet(QUIET), "channel_1", planted(lambda day: np.where((day > 300) & (day < 500), 12.0, 0.0))
    )
    for day in (400, 420, 500):
        fleet = with_epoch(fleet, VEHICLE, day)
    found = state(drift_of(fleet), VEHICLE, "channel_1")
    assert not found["alarm"]
    assert abs(found["z"]) < 2


def test_a_reset_of_a_healthy_vehicle_raises_no_alarm(drift_of, with_epoch):
    fleet = light_fleet(QUIET)
    for number in range(30):
        fleet = with_epoch(fleet, f"vehicle-{number:05d}", 300)
    drift = drift_of(fleet).families[0]
    mine = np.repeat(np.arange(60), np.diff(drift.panel.row_start)) < 30
    # 0.1 of 50 vehicle-years are five; more than ten come by chance once in seventy fleets.
    assert (np.diff(drift.alarm[mine].astype(int), axis=0) == 1).sum() <= 10


def test_a_duty_that_never_visits_a_region_is_no_failure_to_learn_and_a_lone_standstill_is(drift_of, changed, state):
    fleet = light_fleet(replace(QUIET, step=1.0))
    never = [f"vehicle-{number:05d}" for number in range(10, 16)]  # a tenth of the fleet

    def stand(vehicle, day, values):
        usual = np.round(np.median(values[(vehicle == VEHICLE) & (day < 200)]) / 0.1) * 0.1
        held = np.where((vehicle == VEHICLE) & (day >= 200), usual, values)
        return np.where(np.isin(vehicle, never), values[0], held)

    drift = drift_of(changed(fleet, "channel_1", stand))
    assert state(drift, VEHICLE, "channel_1")["state"] == "not_learning"
    assert not drift.correction_state.filter(
        pl.col("vehicle_id").is_in(never) & (pl.col("state") == "not_learning")
    ).height


@pytest.fixture
def recalibrated(changed):
    """Function: fleet, shift in sigmas of channel_1 -> the fleet with calibration B on two vehicles of three."""

    def run(fleet, shift, more):
        number = np.array([int(name.split("-")[1]) for name in fleet.evidence.snapshots["vehicle_id"]])
        late = (number % 3 != 1) & (fleet.day > 250 + 2 * number)
        readings = fleet.history.readings.with_columns(
            calibration=pl.when(pl.Series(late)).then(pl.lit("B")).otherwise(pl.lit("A"))
        )
        fleet = replace(fleet, history=replace(fleet.history, readings=readings))
        return changed(fleet, "channel_1", lambda vehicle, day, x: x + 0.1 * shift * late + 0.1 * more(vehicle, day))

    return run


@pytest.mark.parametrize("shift", [5.0, -5.0])
def test_a_defect_of_five_sigmas_shows_through_a_calibration_that_moves_the_family_as_far(
    recalibrated, drift_of, shift, state
):
    fleet = light_fleet(QUIET)
    drift = drift_of(recalibrated(fleet, shift, lambda vehicle, day: 5.0 * ((vehicle == VEHICLE) & (day > 240))))
    assert state(drift, VEHICLE, "channel_1")["alarm"]
    alarms = drift.correction_state.filter((pl.col("correction") == "channel_1") & pl.col("alarm"))
    assert alarms.height <= 4  # 0.1 of 60 vehicle-years and a half


def test_a_defect_that_was_there_when_reading_began_is_no_normal_to_compare_its_repair_with(
    drift_of, changed, with_epoch, state
):
    fleet = changed(light_fleet(QUIET), "channel_1", planted(lambda day: np.where(day < 300, 12.0, 0.0)))
    found = state(drift_of(with_epoch(fleet, VEHICLE, 300)), VEHICLE, "channel_1")
    assert not found["alarm"]


def test_the_way_back_of_what_was_ill_when_reading_began_is_no_departure(drift_of, changed, state):
    fleet = light_fleet(QUIET)
    drift = drift_of(changed(fleet, "channel_1", planted(lambda day: np.where(day < 300, 12.0, 0.0))))
    found = state(drift, VEHICLE, "channel_1")
    assert not found["alarm"]
    assert abs(found["z"]) < 2


def test_after_an_epoch_began_what_was_known_in_health_is_expected_not_what_stands(drift_of, changed, with_epoch):
    fleet = changed(light_fleet(QUIET), "channel_1", planted(lambda day: np.where(day > 300, 12.0, 0.0)))
    drift = drift_of(with_epoch(fleet, VEHICLE, 400)).families[0]
    v = drift.panel.vehicles.index(VEHICLE)
    rows = slice(drift.panel.row_start[v], drift.panel.row_start[v + 1])
    day, expected = fleet.day[rows], drift.expected[rows, 0] / 0.1
    healthy = np.median(expected[day < 300])
    assert expected[day > 400] == pytest.approx(np.full((day > 400).sum(), healthy), abs=1.5)


def test_an_alarm_that_an_epoch_interrupted_keeps_its_onset(drift_of, changed, with_epoch, state):
    fleet = changed(light_fleet(QUIET), "channel_1", planted(lambda day: np.maximum(day - 250, 0) / 15))
    found = state(drift_of(with_epoch(fleet, VEHICLE, 450)), VEHICLE, "channel_1")
    assert found["state"] == "drifting"
    assert abs(found["onset_at"] - (START + timedelta(days=250))) < timedelta(days=28)
    assert found["alarm_at"] < START + timedelta(days=400)
