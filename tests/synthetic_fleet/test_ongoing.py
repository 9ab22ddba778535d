"""A fleet that is stopped, copied, and goes on under orders."""

from datetime import timedelta

import pytest
from polars.testing import assert_frame_equal

from synthetic_fleet import ScenarioError, read_scenario, simulate_frames
from synthetic_fleet.ongoing import begin_fleet

CLEAN = {"dirt": {"enabled": False}}


@pytest.fixture(scope="module")
def begun():
    """Six vehicles in the middle of their twelve weeks: to be copied."""
    fleet = begin_fleet(read_scenario(changes=CLEAN), vehicles=6, weeks=12, seed=5)
    fleet.go_on(42)
    return fleet


def test_lived_in_pieces_it_is_the_fleet_that_lives_at_once(begun):
    fleet = begun.copied()
    fleet.go_on(10)
    fleet.go_on(365)
    at_once = simulate_frames(read_scenario(changes=CLEAN), vehicles=6, weeks=12, seed=5).drops
    for table, order in (("snapshots", ["vehicle_id", "read_at"]), ("work", ["vehicle_id", "done_at", "kind"])):
        assert_frame_equal(fleet.drops()[table].sort(order), at_once[table].sort(order))


def test_what_is_shown_holds_nothing_of_the_days_to_come(begun):
    shown = begun.drops()
    assert shown["snapshots"]["read_at"].max().date() < begun.today
    assert shown["work"]["done_at"].max().date() < begun.today


def test_an_order_is_carried_out_and_changes_no_other_vehicle(begun):
    ordered, left = begun.copied(), begun.copied()
    for fleet in (ordered, left):
        fleet.without_planned_visits()
    vehicle, day = "WC-00003", begun.today + timedelta(days=3)
    ordered.order(vehicle, day, ("fuel_pump",))
    ordered.go_on(21)
    left.go_on(21)
    more = ordered.drops()["work"].join(left.drops()["work"], on=["vehicle_id", "done_at", "kind"], how="anti")
    assert more["vehicle_id"].unique().to_list() == [vehicle]
    assert more["done_at"].dt.date().to_list()[0] == day
    with pytest.raises(ScenarioError, match="the day is past"):
        ordered.order(vehicle, day)
