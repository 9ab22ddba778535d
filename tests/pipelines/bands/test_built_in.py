"""A family of few vehicles is held by the built-in normal ranges; enough peers say themselves what is normal."""

import numpy as np
import pytest
from first_readings import COUNTS, STEP, states, states_of

from pipelines.bands.built_in import ENOUGH_PEERS, as_healthy, near_neutral, normal_range, normal_share
from pipelines.catalogue.corrections import built_in_corrections

STRAYS = {"drifting", "outside"}


def test_the_range_of_a_fuel_trim_is_ten_per_cent_to_both_sides():
    assert normal_range("ltft_b1", 0.0, -25.0, 25.0) == pytest.approx((-10.0, 10.0))


def test_every_built_in_range_lies_around_neutral_within_the_limits():
    for row in built_in_corrections().iter_rows(named=True):
        low, high = normal_range(row["code"], row["neutral"], row["low_limit"], row["high_limit"])
        assert row["low_limit"] <= low <= row["neutral"] <= high <= row["high_limit"], row["code"]


def test_what_height_tank_or_accessories_decide_has_no_range():
    assert [normal_share(code) for code in ("baro_learn", "ethanol_learn", "purge_load", "torque_ac")] == [1, 1, 1, 1]


class _Panel:
    codes = ("ltft_b1", "baro_learn", "own_channel")
    neutral = np.array([0.0, 100.0, np.nan])
    low_limit, high_limit = np.array([-25.0, 60.0, -1.0]), np.array([25.0, 106.0, 1.0])
    measured_low = measured_high = np.array([True, True, True])


def test_a_small_family_lies_near_neutral_where_a_range_is_known_and_a_large_one_where_it_reads():
    centre, spread = np.array([[20.0], [70.0], [0.9]]), np.array([12.0, 30.0, 0.8])
    assert near_neutral(_Panel, centre, 1)[:, 0].tolist() == [5.0, 70.0, pytest.approx(0.9)]
    assert as_healthy(_Panel, spread, 1).tolist() == [2.5, 30.0, pytest.approx(0.8)]
    assert near_neutral(_Panel, centre, ENOUGH_PEERS) is centre
    assert as_healthy(_Panel, spread, ENOUGH_PEERS) is spread


def test_three_vehicles_that_read_alike_do_not_make_a_healthy_level_beside_theirs_a_strange_one():
    assert as_healthy(_Panel, np.array([0.1, 0.1, 0.1]), 3)[0] == pytest.approx(np.sqrt((0.1**2 + 2.5**2) / 2))


@pytest.mark.parametrize(
    "steps",
    [
        ([3] * 7, [0] * 7, [0] * 7),
        ([2, *[1] * 6], [-4] * 7, [1] * 7),
        ([4, *[3] * 6], [0] * 7, [0, 1, 0, 1, 0, 1, 0]),
    ],
    ids=["each held", "one changed by a step", "one toggles by a step"],
)
def test_vehicles_whose_few_readings_hold_or_differ_by_one_step_are_not_named(steps):
    rows = states_of({f"healthy {n}": np.array(series) * STEP for n, series in enumerate(steps)}, counts=(5, 7))
    assert not [state for named in rows.values() for _, state in named if state in STRAYS]


@pytest.mark.parametrize(("vehicles", "run"), [(1, 1), (3, 0)])
def test_a_vehicle_that_came_bad_is_named_from_its_first_reading_on_and_a_healthy_one_is_not(vehicles, run):
    named = {count: {kind: state in STRAYS for kind, state in rows} for count, rows in states(vehicles, run).items()}
    assert [named[count]["bad"] for count in COUNTS] == [True] * len(COUNTS)
    assert not any(rows.get("healthy", False) for rows in named.values())
