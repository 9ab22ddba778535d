import numpy as np
import pytest

from synthetic_fleet import growth, stream
from synthetic_fleet.state import VEHICLE, records
from synthetic_fleet.vehicles import no_defects

DAYS = 400


def with_streams(rows, seed=1):
    vehicles = records(rows, VEHICLE)
    vehicles.stream = stream.start(seed, np.arange(rows), 0)
    return vehicles


def grown(law, *, level=0.4, rate=0.005, rows=300, days=DAYS):
    """[days, rows] severities of a defect of a law."""
    state = no_defects(rows)
    state.law[:, 0], state.rate[:, 0], state.level[:, 0] = growth.LAWS.index(law), rate, level
    vehicles = with_streams(rows)
    path = []
    for _ in range(days):
        for row in range(rows):
            growth.grow(state[row, 0], 1.0, vehicles[row])
        path.append(state.severity[:, 0].copy())
    return np.array(path)


@pytest.mark.parametrize("law", ["steady", "gamma", "accelerating", "step", "intermittent", "cold"])
def test_harmful_laws_reach_the_limit(law):
    path = grown(law, rows=20, level=0.8)
    assert np.all(np.diff(path, axis=0) >= 0)
    assert np.all(path[-1] >= 1)


def test_a_plateau_levels_off_and_never_reaches_the_limit():
    path = grown("plateau", rows=5)
    assert np.allclose(path[-1], 0.4, atol=0.01)


def test_a_step_is_there_on_the_first_day():
    assert np.all(grown("step", rows=5, level=0.7)[0] == 0.7)


def test_a_gamma_process_grows_at_its_mean_rate_and_scatters_as_gamma_does():
    last = grown("gamma", days=100)[-1]
    assert last.mean() == pytest.approx(0.5, abs=0.03)
    assert last.std() == pytest.approx((0.5 * growth.JUMP) ** 0.5, rel=0.15)


def test_an_accelerating_defect_gains_more_in_its_second_half():
    path = grown("accelerating", rows=5, days=150)
    assert np.all(path[149] - path[75] > path[75])


def test_nothing_grows_on_a_day_off():
    state = no_defects(1)
    state.law[0, 0], state.rate[0, 0] = growth.STEADY, 0.1
    growth.grow(state[0, 0], 0.0, with_streams(1)[0])
    assert state.severity[0, 0] == 0


def test_a_defect_of_the_cold_acts_only_in_cold_and_an_intermittent_one_comes_and_goes():
    state, vehicles = no_defects(1), with_streams(1)
    ill, me = state[0, 0], vehicles[0]
    ill.law = growth.COLD
    assert growth.acts(ill, -3.0, me)
    assert not growth.acts(ill, 15.0, me)
    ill.law = growth.INTERMITTENT
    seen = {growth.acts(ill, 10.0, me) for _ in range(60)}
    assert seen == {True, False}


def test_streams_are_uniform_bell_shaped_and_their_vehicles_own():
    vehicles = with_streams(2, seed=3)
    flat = np.array([stream.uniform(vehicles[0]) for _ in range(20_000)])
    bell = np.array([stream.bell(vehicles[1]) for _ in range(20_000)])
    assert flat.min() > 0
    assert flat.max() < 1
    assert flat.mean() == pytest.approx(0.5, abs=0.01)
    assert bell.mean() == pytest.approx(0.0, abs=0.03)
    assert bell.std() == pytest.approx(1.0, abs=0.02)
    assert stream.start(3, np.array([5]), 0)[0] == stream.start(3, np.arange(9), 0)[5]
