import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.causes.severity import log_bayes_factors


def one(z, a, spread=0.0, noise=None, scale=0.4):
    z, a = np.atleast_2d(z), np.atleast_2d(a)
    noise = np.eye(z.shape[1]) if noise is None else noise
    spreads = np.full(a.shape, spread)
    return log_bayes_factors(z, signatures=a, spreads=spreads, noise=noise, severity_scale=scale)


def test_the_worked_example_of_a_half_normal_severity():
    noise = np.array([[1.0, 0.5], [0.5, 1.0]])
    assert np.exp(one([2.5, 1.0], [1.0, 0.5], noise=noise, scale=3.0)) == pytest.approx(10.438096, rel=1e-6)


def test_a_signature_without_any_correction_says_nothing():
    assert one([3.0, -2.0, 1.0], [0.0, 0.0, 0.0]) == pytest.approx(0.0, abs=1e-12)


def test_the_wrong_direction_speaks_against_a_cause():
    assert one([-3.0, 0.1], [20.0, 0.0]) < one([0.0, 0.0], [20.0, 0.0]) < 0 < one([3.0, 0.1], [20.0, 0.0])


def test_certainty_does_not_grow_with_severity_once_the_signatures_spread_counts():
    signatures = np.array([[10.0, 8.0], [10.0, 6.0]])
    z = np.array([[1.0, 0.75], [10.0, 7.5], [100.0, 75.0]])  # a little nearer to the first

    def preference(spread):
        spreads = np.full((2, 2), spread)
        found = log_bayes_factors(z, signatures=signatures, spreads=spreads, noise=np.eye(2), severity_scale=3.0)
        return found[:, 0] - found[:, 1]

    assert preference(0.0)[2] > 10 * preference(0.0)[1] > 1
    assert np.abs(preference(3.0)).max() < 1


@given(
    z=st.lists(st.floats(-30, 30), min_size=3, max_size=3),
    a=st.lists(st.floats(-40, 40), min_size=3, max_size=3),
    unit=st.lists(st.floats(0.1, 10), min_size=3, max_size=3),
)
def test_the_units_of_the_corrections_do_not_matter(z, a, unit):
    unit = np.array(unit)
    assert one(z * unit, a * unit, noise=np.diag(unit**2)) == pytest.approx(one(np.array(z), np.array(a)), abs=1e-6)


def test_vehicles_do_not_influence_each_other():
    z = np.random.default_rng(4).normal(size=(6, 4)) * 3
    a = np.random.default_rng(5).normal(size=(3, 4)) * 10
    together = log_bayes_factors(z, signatures=a, spreads=np.abs(a) / 3, noise=np.eye(4), severity_scale=0.4)
    alone = log_bayes_factors(z[2:3], signatures=a, spreads=np.abs(a) / 3, noise=np.eye(4), severity_scale=0.4)
    assert together[2] == pytest.approx(alone[0])
