import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.history.clock import CLOCK, ODOMETER
from pipelines.history.counter import COUNTED, MISREAD, NEW_TRACK, OTHER_UNIT, RESTARTED, RESUMED, stitch

WEEK = 168.0


def stitched(counter, *, rules=CLOCK, guide=None, fresh=(), start=None, every=WEEK):
    counter = np.array(counter, float)
    marks = np.zeros(counter.size, bool)
    marks[list(fresh)] = True
    guide = np.full(counter.size, np.nan) if guide is None else np.array(guide, float)
    at = every * np.arange(counter.size)
    return stitch(np.array(start or [0, counter.size]), at, counter, guide, marks, rules=rules)


def test_a_clock_that_only_rises_is_counted_from_the_first_reading():
    result = stitched([100.0, 110.0, 125.0])
    assert result.total.tolist() == [0.0, 10.0, 25.0]
    assert result.confidence.tolist() == [1.0, 1.0, 1.0]


def test_a_restart_adds_the_usual_hours_and_says_that_a_part_was_estimated():
    result = stitched([100.0, 110.0, 120.0, 4.0, 14.0])
    assert result.total.tolist() == [0.0, 10.0, 20.0, 30.0, 40.0]
    assert result.event.tolist() == [NEW_TRACK, COUNTED, COUNTED, RESTARTED, COUNTED]
    assert result.confidence[3] == pytest.approx((24 + 0.2 * 6) / 30)


def test_kilometres_tell_the_hours_around_a_restart_better_than_time():
    by_km = stitched([100.0, 110.0, 120.0, 4.0], guide=[0.0, 300.0, 600.0, 1200.0])
    assert by_km.total[-1] == pytest.approx(40.0)


def test_a_restart_that_has_run_longer_than_usual_counts_what_it_has_run():
    assert stitched([100.0, 110.0, 120.0, 30.0]).total[-1] == 50.0


def test_one_misread_clock_leaves_no_trace_in_what_follows():
    result = stitched([1000.0, 1010.0, 91020.0, 1030.0])
    assert result.event.tolist() == [NEW_TRACK, COUNTED, MISREAD, COUNTED]
    assert result.total.tolist() == [0.0, 10.0, 20.0, 30.0]


@pytest.mark.parametrize("start", [100.0, 3000.0])
def test_a_clock_misread_as_zero_is_no_restart_once_the_next_reading_is_known(start):
    clock = start + np.array([0.0, 10.0, 20.0, 30.0, 40.0])
    clock[3] = 0.0
    result = stitched(clock)
    assert result.event.tolist() == [NEW_TRACK, COUNTED, COUNTED, MISREAD, COUNTED]
    assert result.total.tolist() == [0.0, 10.0, 20.0, 30.0, 40.0]
    assert stitched(clock[:4]).event[-1] == RESTARTED


def test_a_clock_of_another_module_is_followed_once_two_readings_agree():
    result = stitched([100.0, 110.0, 9000.0, 9010.0, 9020.0])
    assert result.event.tolist() == [NEW_TRACK, COUNTED, MISREAD, NEW_TRACK, COUNTED]
    assert result.total.tolist() == [0.0, 10.0, 20.0, 30.0, 40.0]


def test_a_clock_that_comes_back_from_another_module_counts_on_where_it_left():
    result = stitched([100.0, 110.0, 9000.0, 9010.0, 145.0])
    assert result.event[-1] == RESUMED
    assert result.total[-1] == 45.0


def test_a_replaced_module_is_not_a_restart():
    result = stitched([100.0, 110.0, 2.0, 12.0], fresh=(2,))
    assert RESTARTED not in result.event
    assert result.total.tolist() == [0.0, 10.0, 20.0, 30.0]


@pytest.mark.parametrize("factor", [60.0, 3600.0])
def test_a_clock_read_once_in_minutes_or_seconds_is_turned_back(factor):
    result = stitched([1000.0, 1010.0, 1020.0 * factor, 1030.0])
    assert result.event.tolist() == [NEW_TRACK, COUNTED, OTHER_UNIT, OTHER_UNIT]
    assert result.total == pytest.approx([0.0, 10.0, 20.0, 30.0])


def test_an_odometer_that_changes_to_miles_goes_on_in_kilometres():
    km = np.array([100_000.0, 100_500.0, 101_000.0, 101_500.0, 102_000.0])
    read = np.where(np.arange(5) >= 2, km / 1.609344, km)
    result = stitched(read, rules=ODOMETER)
    assert result.total == pytest.approx(km - km[0])
    assert result.event.tolist() == [NEW_TRACK, COUNTED, OTHER_UNIT, COUNTED, COUNTED]


def test_an_odometer_that_was_replaced_goes_on_from_what_was_driven():
    result = stitched([100_000.0, 100_500.0, 101_000.0, 300.0, 800.0], rules=ODOMETER)
    assert result.total == pytest.approx([0.0, 500.0, 1000.0, 1500.0, 2000.0])
    assert result.event[-1] == NEW_TRACK


def test_hours_without_a_reading_are_estimated_and_trusted_less():
    result = stitched([100.0, 110.0, np.nan, 130.0])
    assert result.total.tolist() == [0.0, 10.0, 20.0, 30.0]
    assert result.confidence[2] < result.confidence[3] == 1.0


def test_vehicles_do_not_meet():
    result = stitched([100.0, 110.0, 5.0, 25.0], start=[0, 2, 4])
    assert result.total.tolist() == [0.0, 10.0, 0.0, 20.0]


counters = st.lists(
    st.one_of(st.just(float("nan")), st.floats(0, 20_000, allow_nan=False)), min_size=1, max_size=30
)  # fmt: skip


@settings(max_examples=60)
@given(counter=counters, cut=st.integers(1, 30))
def test_a_total_never_falls_and_no_later_reading_changes_it(counter, cut):
    whole, part = stitched(counter), stitched(counter[:cut])
    assert np.all(np.diff(whole.total) >= 0)
    assert np.all((whole.confidence >= 0) & (whole.confidence <= 1))
    np.testing.assert_array_equal(whole.total[:cut], part.total)


@settings(max_examples=60)
@given(
    steps=st.lists(st.floats(5.0, 15.0), min_size=5, max_size=40),
    restarts=st.sets(st.integers(1, 13).map(lambda third: 3 * third), max_size=4),
)
def test_the_true_hours_are_kept_over_restarts_within_the_hours_of_those_weeks(steps, restarts):
    true = np.cumsum(steps)
    clock = true.copy()
    for week in sorted(week for week in restarts if week < len(steps)):
        clock[week:] = clock[week:] - clock[week] + 3.0
    result = stitched(clock)
    assert np.all(np.abs(result.total - (true - true[0])) <= 15.0 * (1 + len(restarts)))
    assert (result.event == RESTARTED).sum() == len([week for week in restarts if week < len(steps)])
