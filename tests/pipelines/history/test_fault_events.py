from itertools import pairwise

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.history.reconstruct import reconstruct

CODE = "P0171"


@pytest.fixture
def events(evidence, weekly, day):
    """Fault events of one vehicle read weekly, with the code found at these weeks."""

    def make(found, *, weeks=8, flags=None, hours=None, code_hours=None, work=(), **columns):
        faults = [
            {
                "vehicle_id": "v", "read_at": day(7 * week), "code": CODE, "ignition_hours": code_hours,
                **(flags or {}).get(week, {"confirmed": True}),
            }
            for week in found
        ]  # fmt: skip
        clock = hours or [10.0 * week for week in range(weeks)]
        snapshots = weekly("v", clock, **columns)
        work = [{"vehicle_id": "v", **row} for row in work]
        return reconstruct(evidence(snapshots=snapshots, faults=faults, work=work)).fault_events

    return make


def test_an_event_is_the_first_reading_at_which_the_code_stands(events, day):
    (event,) = events([3, 4, 5]).to_dicts()
    assert (event["set_low"], event["found_at"]) == (day(14), day(21))
    assert event["set_low"] < event["set_at"] < event["set_high"]


def test_a_code_seen_absent_between_is_two_events(events, day):
    assert events([2, 3, 6])["found_at"].to_list() == [day(14), day(42)]


def test_a_reading_without_the_memory_says_nothing_of_absence(events, day):
    read = [week != 4 for week in range(8)]
    assert events([3, 5], faults_read=read)["found_at"].to_list() == [day(21)]


def test_a_reading_whose_flag_is_empty_was_read_if_it_found_a_code(events, day):
    found = events([3, 5], faults_read=None)
    assert found["found_at"].to_list() == [day(21)]  # nothing says that the code was absent at week 4


def test_a_pending_code_is_no_event_until_it_is_confirmed(events, day):
    flags = {2: {"confirmed": False, "pending": True}}
    (event,) = events([2, 3], flags=flags).to_dicts()
    assert (event["set_low"], event["found_at"]) == (day(14), day(21))


def test_present_counts_where_a_drop_has_no_confirmed(events, day):
    flags = {2: {"present": False}, 3: {"present": True}}
    assert events([2, 3], flags=flags)["found_at"].to_list() == [day(21)]


def test_a_code_at_the_first_reading_of_the_memory_has_no_lower_bound(events, day):
    (event,) = events([0, 1]).to_dicts()
    assert event["set_low"] is None
    assert event["set_at"] == event["set_high"] == day(0)


def test_the_clock_in_the_code_narrows_the_time(events, day):
    hours = [0.0, 50.0, 100.0, 150.0]
    (event,) = events([2], weeks=4, hours=hours, code_hours=75.0).to_dicts()
    assert day(7) < event["set_low"] < event["set_at"] < event["set_high"] < day(14)
    assert abs((event["set_at"] - day(10.5)).total_seconds()) < 3600
    assert (event["set_high"] - event["set_low"]).days <= 5  # the engine ran 25 of the 168 hours on either side


def test_a_code_that_outlived_a_power_loss_was_set_on_the_clock_before(events, day):
    hours = [100.0, 110.0, 120.0, 4.0, 14.0]
    (event,) = events([3, 4], weeks=5, hours=hours, code_hours=122.0).to_dicts()
    assert day(14) < event["set_at"] < day(17.5)


def test_a_clock_that_belongs_to_neither_reading_is_left_aside(events):
    with_clock, without = events([3], code_hours=9000.0), events([3])
    assert with_clock.equals(without)


@pytest.mark.parametrize(
    ("work", "hours", "ended"),
    [
        ([{"kind": "replacement", "component": "pump"}], None, "repaired"),
        ([{"kind": "codes_cleared"}], None, "cleared"),
        ([{"kind": "inspection", "codes_cleared": True}], None, "cleared"),
        ([{"kind": "inspection"}], None, "self_erased"),
        ([], [100.0, 110.0, 120.0, 130.0, 3.0, 13.0, 23.0, 33.0], "lost_with_power"),
        ([], [100.0, 110.0, 120.0, 3.0, 13.0, 23.0, 33.0, 43.0], "self_erased"),  # it outlived that power loss
        ([], None, "self_erased"),
    ],
)
def test_how_a_code_went(events, day, work, hours, ended):
    (event,) = events([2, 3], hours=hours, work=[{"done_at": day(25), **row} for row in work]).to_dicts()
    assert event["ended"] == ended
    assert event["ended_at"] == day(25 if ended in {"repaired", "cleared"} else 24.5)  # half way, where nothing tells


def test_a_counter_that_fell_tells_of_a_clear_that_nobody_recorded(events):
    km = [500.0, 800.0, 1100.0, 1400.0, 50.0, 350.0, 650.0, 950.0]
    assert events([2, 3], km_since_clear=km)["ended"].to_list() == ["cleared"]


def test_a_code_at_the_newest_reading_is_open(events):
    (event,) = events([6, 7]).to_dicts()
    assert (event["ended"], event["ended_at"]) == ("open", None)


def test_a_code_whose_memory_was_not_read_since_is_not_known_to_stand(events):
    read = [week < 6 for week in range(8)]
    assert events([4, 5], faults_read=read)["ended"].to_list() == ["not_read_since"]


def test_codes_and_vehicles_do_not_meet(evidence, weekly, day):
    snapshots = weekly("a", [0.0, 10.0, 20.0]) + weekly("b", [0.0, 10.0, 20.0])
    found = [("a", 1, "P0171"), ("a", 2, "P0300"), ("b", 2, "P0171")]
    faults = [{"vehicle_id": v, "read_at": day(7 * w), "code": c, "confirmed": True} for v, w, c in found]
    events = reconstruct(evidence(snapshots=snapshots, faults=faults)).fault_events
    assert events.select("vehicle_id", "code", "ended").rows() == [
        ("a", "P0171", "self_erased"),
        ("a", "P0300", "open"),
        ("b", "P0171", "open"),
    ]
    assert events.filter(pl.col("set_low") > pl.col("set_high")).is_empty()


def by_the_rule(weeks):
    """Weeks at which an event is found, read straight off the contract: standing now, and absent when last known."""
    found, absent = [], True
    for week, state in enumerate(weeks):
        if state == "not read":
            continue
        if state == "absent":
            absent = True
        elif state == "confirmed" and absent:
            found.append(week)
            absent = False
    return found


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(weeks=st.lists(st.sampled_from(["absent", "pending", "confirmed", "not read"]), min_size=1, max_size=12))
def test_events_are_those_of_the_contracts_rule(events, day, weeks):
    flags = {week: {"confirmed": state == "confirmed", "pending": True} for week, state in enumerate(weeks)}
    told = events(
        [week for week, state in enumerate(weeks) if state in ("pending", "confirmed")],
        weeks=len(weeks), flags=flags, faults_read=[state != "not read" for state in weeks],
    )  # fmt: skip
    assert told["found_at"].to_list() == [day(7 * week) for week in by_the_rule(weeks)]
    for event in told.to_dicts():
        assert (event["set_low"] or event["set_at"]) <= event["set_at"] <= event["set_high"] <= event["found_at"]
        assert event["ended_at"] is None or event["ended_at"] >= event["found_at"]
    for before, after in pairwise(told.to_dicts()):
        assert before["ended_at"] <= after["found_at"]
