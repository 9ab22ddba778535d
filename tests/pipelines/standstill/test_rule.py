"""The rule's chances, by arithmetic; and what is stuck by it now, and ever."""

import numpy as np
import pytest

from pipelines.standstill.rule import RARE_EVER, RARE_NOW, fewest_repeats, log_chance, rests
from pipelines.standstill.stuck import Vehicles, readiness, stuck_runs

VEHICLES, WEEKS = 30, 50


def test_a_probability_that_is_known_well_gives_its_power():
    assert log_chance(np.array([3.0]), np.array([2e6]), np.array([2e6]))[0] == pytest.approx(3 * np.log(0.5), rel=1e-5)


def test_a_probability_that_nothing_is_known_of_makes_long_runs_likely():
    assert np.exp(log_chance(np.array([9.0]), np.array([1.0]), np.array([1.0])))[0] == pytest.approx(1 / 10)


def test_the_fewest_repeats_are_as_rare_as_wanted_and_one_less_is_not():
    probability = np.array([0.02, 0.5, 0.9])
    fewest = fewest_repeats(probability, 1e-3)
    assert (probability**fewest <= 1e-3).all()
    assert (probability ** (fewest - 1) > 1e-3).all()


def test_values_rest_at_neutral_and_within_a_step_of_limits():
    values = np.array([0.0, 0.04, 0.1, 4.9, 4.8, -5.0], dtype=np.float32)
    at_rest = rests(values, neutral=0.0, low=-5.0, high=5.0, step=0.1)
    assert at_rest.tolist() == [True, True, False, True, False, True]
    assert not rests(values, neutral=np.nan, low=np.nan, high=np.nan, step=0.1).any()


@pytest.fixture
def stuck():
    """Function: series by vehicle, rare -> the stuck runs among vehicles that else repeat one reading in five."""

    def run(series, rare, hours=None):
        rng = np.random.default_rng(1)
        values = rng.integers(1, 6, (VEHICLES, WEEKS)).astype(np.float32)
        for vehicle, change in series.items():
            values[vehicle, WEEKS - len(change) :] = change
        used = np.tile(np.arange(WEEKS) * 5.0, VEHICLES) if hours is None else hours
        vehicles = Vehicles.of(
            np.arange(VEHICLES + 1) * WEEKS, np.zeros(VEHICLES, np.int64), used, np.tile(np.arange(WEEKS), VEHICLES)
        )
        repeats = readiness(values.ravel(), vehicles)
        return stuck_runs(
            values.ravel(), vehicles, repeats, rare=rare, neutral=np.nan, low=np.nan, high=np.nan, step=1.0
        )

    return run


def test_the_newest_run_needs_less_than_any_of_a_record(stuck):
    eight = {3: [3.0] * 9}
    assert stuck(eight, RARE_NOW).vehicle.tolist() == [3]
    assert stuck(eight, RARE_EVER).vehicle.tolist() == []
    assert stuck({3: [3.0] * 18}, RARE_EVER).repeats.tolist() == [17]


def test_repeats_while_the_engine_was_not_used_do_not_count(stuck):
    parked = np.tile(np.minimum(np.arange(WEEKS) * 5.0, 100.0), VEHICLES)
    assert stuck({3: [3.0] * 25}, RARE_NOW, hours=parked).vehicle.size == 0


def test_vehicles_that_never_move_explain_no_run_of_another_and_others_that_stop_with_it_do(stuck):
    never = {vehicle: [2.0] * WEEKS for vehicle in range(10, 13)}
    assert stuck({3: [3.0] * 20, **never}, RARE_NOW).vehicle.tolist() == [3]
    assert stuck({vehicle: [3.0] * 20 for vehicle in (3, 4, 5)}, RARE_NOW).vehicle.size == 0
