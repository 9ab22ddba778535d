"""A module learns what feedback adds, within its authority; limits met on two driven days set codes."""

from types import SimpleNamespace

import numpy as np
import pytest

from synthetic_fleet import corrections as c
from synthetic_fleet import defects
from synthetic_fleet.block import calendar_of
from synthetic_fleet.constants import SUDDEN, constants_of
from synthetic_fleet.module import CONFIRMED, PENDING, live_one_day
from synthetic_fleet.scenario import read_scenario
from synthetic_fleet.state import new_events
from synthetic_fleet.vehicles import block_of, enlist


@pytest.fixture
def bench():
    """Ten healthy V6 vans without noise, and a way to let days pass."""
    scenario = read_scenario(changes={"noise": 0.0, "duties": {"parcel": {"days": [1.0] * 7}}})
    constants = constants_of(scenario)
    calendar = calendar_of(scenario, weeks=60, seed=1)
    vehicles = [enlist(constants, number, (-150, 420), 1) for number in range(10)]
    for vehicle in vehicles:
        vehicle.family, vehicle.duty, vehicle.joined = 2, 0, -150
    fleet = block_of(constants, vehicles, 1)
    events = new_events(10)
    state = SimpleNamespace(constants=constants, fleet=fleet, day=0, found=[], events=events)

    def live(days):
        for _ in range(days):
            live_one_day(calendar.today(state.day), constants.world, fleet, events)
            for row, code in zip(events.row[: events.total[0]], events.code[: events.total[0]], strict=True):
                state.found.append((state.day, int(row), constants.codes[code]))
            state.day += 1

    state.live = live
    return state


def start(bench, row, cause, *, law="step", level=1.0, rate=0.0):
    rng = np.random.default_rng(1)
    family = bench.constants.families[2]
    made = defects.make(bench.constants.scenario, family, cause, bench.day, rng, law=law, variant=0)
    slot = defects.put(bench.fleet.defects, row, made, bench.constants.causes)
    bench.fleet.defects.level[row, slot], bench.fleet.defects.rate[row, slot] = level, rate
    return made


def test_a_new_engine_learns_its_own_normal_and_no_code_sets(bench):
    bench.fleet.vehicles.own[:, c.INJ] = 2.0
    bench.fleet.vehicles.own[:, c.SHIFT] = 5.0
    bench.live(180)
    assert np.allclose(bench.fleet.vehicles.learned[:, c.SHIFT], 5.0, atol=0.2)
    assert bench.found == []


def test_a_correction_learned_in_one_hour_is_there_before_one_that_needs_ten(bench):
    vehicles = bench.fleet.vehicles
    vehicles.own[:, c.IAC] = 10.0
    vehicles.own[:, c.MAF + 2] = 10.0
    bench.live(4)
    assert np.all(vehicles.learned[:, c.IAC] / 10 > vehicles.learned[:, c.MAF + 2] / 10)


def test_learned_values_stay_within_their_authority(bench):
    vehicles, settings = bench.fleet.vehicles, bench.constants.world.settings
    vehicles.own[:] = 1e3
    bench.live(40)
    assert np.all(vehicles.learned <= settings.high - settings.neutral + 1e-9)


def test_a_limit_met_is_pending_on_the_first_driven_day_and_confirmed_on_the_next(bench):
    code = bench.constants.codes.index("P0456")
    bench.fleet.vehicles.learned[0, c.EVAP] = 18.5
    start(bench, 0, "evap_leak", level=1.2)
    seen = []
    for _ in range(30):
        bench.live(1)
        seen.append(int(bench.fleet.memory.status[0, code]))
    steps = [value for value, before in zip(seen, [0, *seen], strict=False) if value != before]
    assert steps[:2] == [PENDING, CONFIRMED]
    assert [name for _, row, name in bench.found if row == 0] == ["P0456"]


def test_an_open_circuit_sets_its_code_on_the_first_drive_and_no_correction_told_of_it(bench):
    bench.live(30)
    before = bench.fleet.vehicles.learned[1].copy()
    made = defects.sudden(bench.constants.scenario, bench.constants.families[2], bench.day, np.random.default_rng(2))
    defects.put(bench.fleet.defects, 1, made, bench.constants.causes)
    assert made.cause == SUDDEN
    while not bench.fleet.vehicles.hours[1] or not bench.found:
        bench.live(1)
    assert len(bench.found) == 1
    assert np.allclose(bench.fleet.vehicles.deviation[1], 0)
    assert np.allclose(before[c.INJ : c.PRESS], bench.fleet.vehicles.learned[1, c.INJ : c.PRESS], atol=1e-6)


def test_a_code_erases_itself_after_forty_clean_warm_ups(bench):
    code = bench.constants.codes.index("P0456")
    bench.fleet.memory.status[2, code] = CONFIRMED
    bench.live(12)
    assert bench.fleet.memory.status[2, code] == CONFIRMED
    bench.live(20)
    assert bench.fleet.memory.status[2, code] == 0


def test_fuel_is_not_learned_while_a_sensor_code_stands(bench):
    bench.live(20)
    start(bench, 3, "o2_heater_weak", level=1.6)
    bench.live(6)
    assert bench.fleet.vehicles.stopped[3]
    held = bench.fleet.vehicles.learned[3, c.LTFT : c.ADD].copy()
    start(bench, 3, "fuel_delivery_weak", level=0.5)
    bench.live(10)
    assert np.array_equal(held, bench.fleet.vehicles.learned[3, c.LTFT : c.ADD])


def test_a_region_that_a_duty_never_visits_is_not_learned(bench):
    bench.fleet.vehicles.regions[4, 3] = 0.0
    bench.fleet.vehicles.own[4, c.LTFT : c.LTFT + 4] = 3.0
    bench.live(40)
    assert bench.fleet.vehicles.learned[4, c.LTFT + 3] == 0.0
    assert bench.fleet.vehicles.learned[4, c.LTFT + 2] > 2.0


def test_misfire_costs_the_catalyst_storage_for_good(bench):
    start(bench, 5, "ignition_weak", level=1.0)
    bench.live(60)
    lost = bench.fleet.vehicles.burnt[5].sum()
    assert lost > 0.01
    defects.take_out(bench.fleet.defects, 5, 0)
    bench.live(60)
    assert bench.fleet.vehicles.deviation[5, c.CAT : c.CAT + 2].min() < -0.8 * lost


def test_a_gap_at_the_crank_sensor_scatters_the_segments_in_pairs_and_moves_no_mean(bench):
    start(bench, 6, "crank_sensor_gap", level=0.8)
    kept = []
    for _ in range(150):
        bench.live(1)
        kept.append(bench.fleet.vehicles.learned[6, c.SEG : c.SEG + 6].copy())
    kept = np.array(kept[20:])
    assert np.allclose(kept.sum(axis=1), 0, atol=1e-9)
    assert kept.std(axis=0).min() > 0.5
    assert np.corrcoef(kept[:, 0], kept[:, 3])[0, 1] > 0.99  # 1 and 4 share a segment: firing order 1-2-3-4-5-6
