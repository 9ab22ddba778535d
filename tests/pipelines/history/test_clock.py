import polars as pl
import pytest

from pipelines.history.reconstruct import reconstruct


def readings(evidence, snapshots, work=()):
    return reconstruct(evidence(snapshots=snapshots, work=list(work))).readings


def test_an_unrecorded_power_loss_is_found_at_the_restart(evidence, weekly):
    found = readings(evidence, weekly("v", [100.0, 110.0, 3.0, 13.0]))
    assert found["power_lost"].to_list() == [False, False, True, False]


def test_a_recorded_power_loss_is_found_without_a_clock(evidence, weekly, day):
    loss = {"vehicle_id": "v", "done_at": day(10), "kind": "power_loss"}
    found = readings(evidence, weekly("v", [None] * 4), [loss])
    assert found["power_lost"].to_list() == [False, False, True, False]


def test_a_recorded_power_loss_that_the_clock_contradicts_is_none(evidence, weekly, day):
    loss = {"vehicle_id": "v", "done_at": day(10), "kind": "power_loss"}
    assert not readings(evidence, weekly("v", [500.0, 510.0, 520.0, 530.0]), [loss])["power_lost"].any()


@pytest.mark.parametrize("by", ["serial", "work"])
def test_a_replaced_module_is_no_power_loss(evidence, weekly, day, by):
    serial = ["m1", "m1", "m2", "m2"] if by == "serial" else None
    work = [{"vehicle_id": "v", "done_at": day(13), "kind": "module_replacement"}] if by == "work" else []
    found = readings(evidence, weekly("v", [100.0, 110.0, 3.0, 13.0], module=serial), work)
    assert not found["power_lost"].any()
    assert found["hours"].to_list() == [0.0, 10.0, 20.0, 30.0]


@pytest.mark.parametrize("factor", [60.0, 3600.0])
def test_a_vehicle_whose_clock_counts_minutes_or_seconds_has_the_same_hours(evidence, weekly, factor):
    hours = [1000.0, 1012.0, 1020.0, 1030.0]
    found = readings(evidence, weekly("v", [factor * value for value in hours]))
    assert found["hours"].to_list() == pytest.approx([0.0, 12.0, 20.0, 30.0])


def test_without_any_clock_and_odometer_hours_are_not_known(evidence, weekly):
    found = readings(evidence, weekly("v", [None] * 3))
    assert found["hours"].to_list() == [None] * 3
    assert found["hours_confidence"].to_list() == [0.0] * 3


def test_without_a_clock_hours_follow_the_kilometres_at_the_speed_of_the_family(evidence, weekly):
    km = [50_000.0 + 300 * week for week in range(4)]
    told = weekly("told", [10.0 * week for week in range(4)], odometer_km=km)
    found = readings(evidence, told + weekly("untold", [None] * 4, odometer_km=km))
    untold = found.filter(pl.col("vehicle_id") == "untold")
    assert untold["hours"].to_list() == pytest.approx([0.0, 10.0, 20.0, 30.0])
    assert untold["hours_confidence"].max() <= 0.2


def test_without_a_clock_the_speed_of_later_months_changes_no_hours(evidence, weekly):
    weeks, turn = 39, 26  # half a year, after which what was learned in it holds
    km = [50_000.0 + 300 * week for week in range(weeks)]
    clock = [10.0 * week + 20.0 * max(week - turn, 0) for week in range(weeks)]
    found = readings(evidence, weekly("told", clock, odometer_km=km) + weekly("untold", [None] * weeks, odometer_km=km))
    untold = found.filter(pl.col("vehicle_id") == "untold")["hours"].to_list()
    assert untold == pytest.approx([10.0 * week for week in range(weeks)])


def test_kilometres_begin_at_the_first_odometer_reading(evidence, weekly):
    found = readings(evidence, weekly("v", [0.0, 10.0, 20.0], odometer_km=[None, 50_000.0, 50_300.0]))
    assert found["km"].to_list()[1:] == [50_000.0, 50_300.0]


def test_a_first_odometer_reading_that_the_next_two_contradict_was_misread(evidence, weekly):
    rows = weekly("v", [0.0, 10.0, 20.0, 30.0], odometer_km=[1_651_360.0, 165_246.0, 165_500.0, 165_800.0])
    found = readings(evidence, rows)["km"].to_list()
    assert found[2:] == pytest.approx([165_500.0, 165_800.0])
    assert max(found) < 166_000


@pytest.mark.parametrize("dated", [12.0, 15.0])
def test_a_recorded_power_loss_and_the_restart_near_it_are_one(evidence, weekly, day, dated):
    loss = {"vehicle_id": "v", "done_at": day(dated), "kind": "power_loss"}
    found = readings(evidence, weekly("v", [100.0, 110.0, 3.0, 13.0]), [loss])
    assert found["power_lost"].to_list() == [False, False, True, False]
