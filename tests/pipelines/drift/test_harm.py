"""What is harmless and what is not, compiled and as plain Python."""

import numpy as np
import pytest

from pipelines.drift import harm
from pipelines.drift.onset_bank import Best


@pytest.fixture(params=["compiled", "plain"])
def kernel(request):
    """Function: name -> the kernel, as it is compiled or as Python reads it."""

    def get(name):
        found = getattr(harm, name)
        return found if request.param == "compiled" else found.py_func

    return get


@pytest.mark.parametrize(
    ("ramp_z2", "reading", "day", "levelled"),
    [(31.0, 10, 70.0, True), (33.0, 10, 70.0, False), (31.0, 15, 70.0, False), (31.0, 10, 100.0, False)],
)
def test_a_change_has_levelled_off_when_a_step_long_ago_explains_it(kernel, ramp_z2, reading, day, levelled):
    best = Best(40.0, 1.0, 1.0, 0.0, 0.0, ramp_z2, 40.0, day, float(reading))
    assert kernel("levelled_off")(best, 20, 170.0) == levelled


@pytest.mark.parametrize(
    ("level", "low", "high", "used"),
    [(5.0, -20.0, 10.0, 0.5), (-5.0, -20.0, 10.0, 0.25), (5.0, -20.0, np.nan, 0.0), (0.0, -20.0, 10.0, 0.0)],
)
def test_the_way_to_a_limit_counts_towards_the_side_that_faults(kernel, level, low, high, used):
    assert kernel("way_used")(level, low, high) == pytest.approx(used)


@pytest.mark.parametrize(
    ("size", "level", "used", "harmless"),
    [(4.0, 4.0, 0.2, True), (-4.0, -4.0, 0.2, True), (4.0, 4.0, 0.5, False), (9.0, 4.0, 0.2, False),
     (4.0, 10.0, 0.2, False)],
)  # fmt: skip
def test_harmless_is_small_with_leeway_and_where_healthy_ones_are(kernel, size, level, used, harmless):
    assert kernel("is_harmless")(size, level, 1.0, 2.0, used) == harmless


def test_a_level_is_beyond_health_sooner_where_it_nears_a_limit_and_healthy_again_only_well_inside(kernel):
    far, again = kernel("is_far"), kernel("is_near_again")
    assert [bool(far(level, 4.0, 0.2, 8.0)) for level in (11.0, 13.0, -13.0)] == [False, True, True]
    assert [bool(far(level, 4.0, 0.6, 8.0)) for level in (7.0, 9.0)] == [False, True]
    assert [bool(again(level, 4.0)) for level in (3.0, 5.0, -3.0)] == [True, False, True]
