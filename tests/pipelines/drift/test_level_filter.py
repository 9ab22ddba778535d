"""The level filter, one reading at a time, as compiled and as plain Python: closed forms of level and noise."""

import numpy as np
import pytest

from pipelines.bands.normal import SCORES
from pipelines.drift import level_filter


@pytest.fixture(params=["compiled", "plain"])
def kernel(request):
    """Function: name -> the kernel, as it is compiled or as Python reads it."""

    def get(name):
        found = getattr(level_filter, name)
        return found if request.param == "compiled" else found.py_func

    return get


def known(level_var=4.0, noise_var=1.0, level=0.0, noise=0.0):
    state = np.zeros(1, dtype=level_filter.LEVEL).view(np.recarray)[0]
    level_filter.begin.py_func(state, 0.0, noise, level, level_var, noise_var)
    return state


def test_a_reading_is_shared_by_level_and_noise_as_their_variances_are(kernel):
    state = known(level_var=4.0, noise_var=1.0)
    innovation = kernel("compare")(state, 3.0, 0.0)
    assert tuple(innovation) == pytest.approx((3.0, np.sqrt(5.0), 5.0, 0.8, 0.2))
    kernel("update")(state, 3.0, innovation, 3.0 / innovation.sd, 3.0 / innovation.sd)
    assert (state.level, state.noise) == pytest.approx((2.4, 0.6))
    assert state.level_var == pytest.approx(1 / (1 / 4 + 1 / 1))
    assert state.level_var + state.noise_var + 2 * state.covariance == pytest.approx(0, abs=1e-12)


def test_rounding_is_nobodys(kernel):
    innovation = kernel("compare")(known(level_var=4.0, noise_var=1.0), 3.0, 5.0)
    assert (innovation.level_gain, innovation.noise_gain) == pytest.approx((0.4, 0.1))


def test_time_forgets_the_noise_and_lets_the_level_wander(kernel):
    state = known(level_var=4.0, noise_var=0.0, level=2.0, noise=1.0)
    assert kernel("predict")(state, 7.0, 7.0 / np.log(2), 0.5, 3.0) == pytest.approx(0.5)
    assert (state.level, state.noise) == pytest.approx((2.0, 0.5))
    assert (state.level_var, state.noise_var) == pytest.approx((4.5, 3.0 * 0.75))


def test_a_long_time_leaves_nothing_of_the_noise_but_its_own_variance(kernel):
    state = known(noise_var=0.1, noise=5.0)
    kernel("predict")(state, 1e6, 10.0, 0.0, 2.0)
    assert state.noise == pytest.approx(0)
    assert state.noise_var == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("u", "score"), [(0.0, 0.0), (1.5, 1.0), (-1.5, -1.0), (0.375, 0.25), (99.0, 3.5), (-99.0, -3.5)]
)
def test_scores_come_from_the_tail_between_its_knots(kernel, u, score):
    """A tail half as wide again as the normal one."""
    assert kernel("normal_score")(u, SCORES * 1.5) == pytest.approx(score)


def test_an_innovation_is_cut(kernel):
    assert [kernel("cut")(u) for u in (-20.0, -3.0, 20.0)] == [-level_filter.SHOCK, -3.0, level_filter.SHOCK]
