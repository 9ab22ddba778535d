import numpy as np
import pytest

from synthetic_fleet import defects, read_scenario
from synthetic_fleet.block import calendar_of, live
from synthetic_fleet.constants import constants_of
from synthetic_fleet.futures import oracle, without_work

SEED = 11


@pytest.fixture(scope="module")
def lived():
    constants = constants_of(read_scenario())
    calendar = calendar_of(constants.scenario, weeks=30, seed=SEED)
    return constants, calendar, live(constants, calendar, range(30), SEED, keep_days=(140,))


@pytest.fixture(scope="module")
def told(lived):
    constants, calendar, block = lived
    fleet = block.snapshots[140]
    row = int(np.flatnonzero(fleet.vehicles.active & (fleet.defects.law < 0).all(axis=1))[0])
    family = constants.families[block.vehicles[row].family]
    leak = defects.make(constants.scenario, family, "evap_leak", 140, np.random.default_rng(1), law="steady", variant=0)
    slot = defects.put(fleet.defects, row, leak, constants.causes)
    fleet.defects.severity[row, slot], fleet.defects.rate[row, slot] = 1.3, 0.0
    shares = oracle(constants, calendar, block.vehicles, fleet, 140, paths=60, seed=SEED)
    return row, shares, fleet


def test_a_defect_beyond_its_limit_is_sure_to_set_a_code(told):
    row, shares, _ = told
    assert np.all(shares[row, :, 2] > 0.95)


def test_probability_never_falls_with_the_horizon_and_both_halves_agree(told):
    _, shares, fleet = told
    serving = shares[fleet.vehicles.active]
    assert np.all(np.diff(serving, axis=2) >= 0)
    one, two = serving[:, 0, 2], serving[:, 1, 2]
    spread = np.sqrt((one * (1 - one) + two * (1 - two) + 0.02) / 60)
    assert np.abs(one - two).max() < 4.5 * spread.max()
    assert np.corrcoef(one, two)[0, 1] > 0.9
    assert not np.array_equal(one, two)


def test_a_healthy_vehicle_has_a_small_probability(told):
    _, shares, fleet = told
    healthy = fleet.vehicles.active & (fleet.defects.law < 0).all(axis=1)
    assert 0 <= shares[healthy, :, 2].mean() < 0.15


def test_the_oracle_does_not_depend_on_the_other_vehicles_and_leaves_the_state_alone(lived, told):
    constants, calendar, block = lived
    row, shares, fleet = told
    before = fleet.vehicles.learned.copy()
    again = oracle(constants, calendar, block.vehicles, fleet, 140, paths=60, seed=SEED)
    assert np.array_equal(fleet.vehicles.learned, before)
    assert np.array_equal(again, shares, equal_nan=True)
    assert row < len(block.vehicles)


def test_limits_that_work_forestalled_lie_after_that_work(lived):
    constants, calendar, block = lived
    crossings = without_work(block, constants, calendar)
    worked = [x for x in crossings if x.worked_on is not None]
    assert crossings
    assert all(x.day >= x.worked_on for x in worked)
    assert all(x.day >= calendar.days for x in crossings if x.worked_on is None)
