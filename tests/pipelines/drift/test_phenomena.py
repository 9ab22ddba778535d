"""What real fleets do that breaks promises: regions that sleep, vehicles unlike in noise, resets without a repair."""

import numpy as np
import pytest
from drift_fleets import World, light_fleet


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
        out = values + np.where((vehicle == "vehicle-00003") & (day > 350), 6 * 0.1, 0)
        for row in range(1, len(out)):
            if vehicle[row] == vehicle[row - 1] and 100 < day[row] % 365 < 300:
                out[row] = out[row - 1]
        return out

    drift = drift_of(changed(fleet, "channel_1", change))
    assert state(drift, "vehicle-00003", "channel_1")["alarm"]
    assert not state(drift, "vehicle-00004", "channel_1")["alarm"]
