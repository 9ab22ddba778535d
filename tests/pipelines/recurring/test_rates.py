import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from pipelines.recurring.rates import (
    Comparison,
    excess,
    poisson_limits,
    rate_ratio,
    rate_ratio_limits,
    vehicle_dispersion,
)


def comparison(*strata, dispersion=1.0):
    exposed, events, exposed_time, time = (np.array(column) for column in zip(*strata, strict=True))
    return Comparison(
        exposed_events=exposed, events=events, exposed_time=exposed_time * 1.0, time=time * 1.0, dispersion=dispersion
    )


@pytest.mark.parametrize(("count", "limits"), [(0, (0.0, 3.6889)), (5, (1.6235, 11.6683)), (10, (4.7954, 18.3904))])
def test_exact_limits_of_a_poisson_mean(count, limits):
    assert poisson_limits(count) == pytest.approx(limits, abs=5e-5)


def test_the_worked_example_of_a_rate_ratio():
    example = comparison((41, 56, 28010, 28010 + 19017))
    assert rate_ratio(example) == pytest.approx(1.8558, abs=5e-5)
    assert rate_ratio_limits(example, mid=False) == pytest.approx((1.0057, 3.6093), abs=5e-5)


@given(events=st.integers(1, 40) | st.integers(1000, 3000), exposed=st.integers(0, 3000), share=st.floats(0.05, 0.95))
def test_one_stratum_is_the_binomial_test(events, exposed, share):
    exposed = min(exposed, events)
    expected = binomtest(exposed, events, share, alternative="greater").pvalue
    assert excess(comparison((exposed, events, share, 1.0)), mid=False).p_value == pytest.approx(expected, abs=1e-9)


def test_a_factor_that_only_follows_its_strata_is_no_excess():
    # Twice the exposure in the stratum with ten times the rate: plainly more events, none beyond the strata.
    confounded = comparison((200, 300, 200, 300), (10, 30, 100, 300))
    assert rate_ratio(confounded) == pytest.approx(1.0)
    assert excess(confounded).p_value > 0.4


def test_strata_that_cannot_tell_say_nothing():
    assert excess(comparison((5, 5, 10, 10))).p_value == 1.0
    assert np.isnan(rate_ratio(comparison((5, 5, 10, 10))))
    assert rate_ratio_limits(comparison((0, 0, 5, 10))) == (0.0, float("inf"))


def test_all_events_exposed_gives_an_open_upper_limit():
    low, high = rate_ratio_limits(comparison((6, 6, 10, 40)))
    assert low > 1
    assert high == float("inf")


def test_events_that_come_together_count_for_less():
    once = comparison((30, 60, 30, 100))
    together = comparison((30, 60, 30, 100), dispersion=4.0)
    assert excess(once).p_value < excess(together).p_value < 0.5
    assert rate_ratio_limits(together)[0] < rate_ratio_limits(once)[0]


def test_the_dispersion_of_independent_events_is_one_and_of_pairs_two():
    expected = np.full(2000, 0.5)
    seen = np.random.default_rng(2).poisson(0.5, 2000).astype(float)
    assert vehicle_dispersion(seen, expected, parameters=1) == pytest.approx(1.0, abs=0.08)
    assert vehicle_dispersion(2 * seen, 2 * expected, parameters=1) == pytest.approx(2.0, abs=0.16)


def test_the_dispersion_of_few_events_is_not_guessed():
    assert vehicle_dispersion(np.array([5.0, 0.0, 0.0]), np.full(3, 5 / 3), parameters=1) == 1.0


@pytest.mark.parametrize("once", [False, True])
def test_limits_under_much_overdispersion_go_on_beyond_what_the_tails_can_tell(once):
    counts = {"exposed_events": np.array([40]), "events": np.array([90]), "once": once}
    times = {"exposed_time": np.array([400.0]), "time": np.array([1200.0])}
    limits = [rate_ratio_limits(Comparison(**counts, **times, dispersion=d), confidence=0.999) for d in (1, 4, 30)]
    lows, highs = zip(*limits, strict=True)
    assert 0 < lows[2] < lows[1] < lows[0] < 1.6 < highs[0] < highs[1] < highs[2] < np.inf
    at_4, at_30 = (np.log(highs[n]) - np.log(lows[n]) for n in (1, 2))
    assert at_30 / at_4 == pytest.approx((30 / 4) ** 0.5, rel=0.25)
