"""What an epoch's end carries over, compiled and as plain Python: how far a level stands apart, and relearning."""

import numpy as np
import pytest

from pipelines.drift import carry_over

LEVEL_VAR, SPREAD_VAR = 0.5, 4.0


@pytest.fixture(params=["compiled", "plain"])
def kernel(request):
    """Function: name -> the kernel, as it is compiled or as Python reads it."""

    def get(name):
        found = getattr(carry_over, name)
        return found if request.param == "compiled" else found.py_func

    return get


def record(dtype, **values):
    made = np.zeros(1, dtype=dtype).view(np.recarray)[0]
    for name, value in values.items():
        setattr(made, name, value)
    return made


NOTHING = record(carry_over.MOVED)


@pytest.mark.parametrize(
    ("before", "side", "level", "apart"),
    [
        (1.0, 0.0, 4.0, (3.0, 0.75)),  # away from the centre: all of it
        (3.0, 0.0, 1.0, (0.0, 4.75)),  # on the way to the centre: something was cured, and it may stand anywhere
        (3.0, 0.0, -2.0, (-2.0, 4.75)),  # past the centre by more than it was off before
        (3.0, -1.0, 1.0, (-2.0, 0.75)),  # the same, but an alarm stood on that side: the defect is still there
    ],
)  # fmt: skip
def test_how_far_a_level_stands_apart(kernel, before, side, level, apart):
    carried = record(carry_over.CARRIED, level=before, variance=0.25, side=side)
    found = kernel("departure")(carried, level, LEVEL_VAR, NOTHING, SPREAD_VAR)
    assert tuple(found) == pytest.approx(apart)


def test_what_a_calibration_moved_is_no_departure(kernel):
    carried = record(carry_over.CARRIED, level=1.0, variance=0.25, changes=1)
    moved = record(carry_over.MOVED, shift=5.0, shift_var=0.1)
    assert tuple(kernel("departure")(carried, 6.5, LEVEL_VAR, moved, SPREAD_VAR)) == pytest.approx((0.5, 0.85))


def test_a_second_calibration_leaves_it_open_where_a_level_lies(kernel):
    carried = record(carry_over.CARRIED, level=1.0, variance=0.25, changes=2)
    moved = record(carry_over.MOVED, shift=5.0, shift_var=0.1)
    assert kernel("departure")(carried, 6.5, LEVEL_VAR, moved, SPREAD_VAR).variance == pytest.approx(4.85)


def test_relearning_moves_a_level_less_and_less_until_it_is_over(kernel):
    """Amplitude 4, time constant 10 h: half a sigma is left after 20.8 h."""
    state = record(carry_over.RELEARNING)
    kernel("begin_relearning")(state, 4.0, 7.0, 1.0)
    assert (state.on, state.start) == (True, 7.0)
    moved = [kernel("relearn")(state, 10.0, 10.0, 1.0) for _ in range(3)]
    left = 4.0 * np.exp(-np.arange(4.0))
    assert moved == pytest.approx(left[:-1] ** 2 - left[1:] ** 2)
    assert not state.on


def test_on_the_way_it_should_read_between_its_first_reading_and_where_it_will_settle(kernel):
    state = record(carry_over.RELEARNING, amplitude=4.0, start=7.0, hours=10.0)
    assert kernel("on_the_way")(state, 2.0, 10.0) == pytest.approx(2.0 + 5.0 * np.exp(-1.0))
    assert kernel("on_the_way")(record(carry_over.RELEARNING), 2.0, 10.0) == 2.0


def test_who_comes_back_to_the_centre_was_ill(kernel):
    assert kernel("was_ill")(8.0, 0.5, 6.0, 2.0)
    assert not kernel("was_ill")(8.0, 7.0, 7.5, 2.0)
    assert not kernel("was_ill")(4.0, 0.5, 0.5, 2.0)  # as far off as healthy ones are


@pytest.mark.parametrize(("x", "home"), [(0.5, True), (2.0, False), (4.0, False)])
def test_who_reads_as_before_the_epoch_is_home(kernel, x, home):
    carried = record(carry_over.CARRIED, level=0.0, variance=0.25)
    assert kernel("is_home")(carried, NOTHING, 3.0, x, 3.0, 0.25) == home


@pytest.mark.parametrize(("smoothed", "over"), [(7.0, True), (4.0, False)])
def test_relearning_that_moves_nothing_is_over_a_time_constant_later(kernel, smoothed, over):
    """It was thought to have 20 sigmas to go; after 12 h of a time constant of 10 it went none, or three."""
    state = record(carry_over.RELEARNING, amplitude=20.0, start=7.0, hours=9.0, on=True)
    kernel("shorten")(state, smoothed, 10.0, 1.0)
    assert state.on
    assert state.amplitude == 20.0
    state.hours = 12.0
    kernel("shorten")(state, smoothed, 10.0, 1.0)
    assert state.on != over


@pytest.mark.parametrize(
    ("smoothed", "started", "beyond"),
    [(3.0, True, 0.0), (6.0, True, 0.0), (9.0, True, 2.0), (-1.0, True, -1.0), (6.0, False, 4.0), (-1.0, False, -1.0)],
)
def test_relearning_passes_between_its_start_its_old_level_and_the_centre(kernel, smoothed, started, beyond):
    state = record(carry_over.RELEARNING, amplitude=7.0, start=7.0, on=True)
    carried = record(carry_over.CARRIED, level=2.0, variance=0.1)
    assert kernel("beyond")(state, carried, NOTHING, smoothed, started) == pytest.approx(beyond)


@pytest.mark.parametrize(("level", "changes", "home"), [(2.0, 0, 2.0), (2.0, 1, 2.5), (np.nan, 0, 0.5)])
def test_home_is_where_it_was_in_health_and_moves_with_a_new_calibration(kernel, level, changes, home):
    carried = record(carry_over.CARRIED, level=level, changes=changes)
    assert kernel("home_of")(carried, record(carry_over.MOVED, shift=0.5)) == home
