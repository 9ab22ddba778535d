"""A departure weighs the vehicle's own past against its peers: four stories and their odds."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.outliers.z_scores import Spread, z_scores

SPREAD = Spread(own=np.array([1.6]), moved=np.array([0.5]), level=np.array([1.7]))


def departure(own, z, *, scale=1.0, relearning=False):
    own, z, level = (np.array([[figure]], np.float32) for figure in (own, z, own + scale * z))
    return z_scores(own, z, level, np.array([[relearning]]), SPREAD)[0, 0]


def test_near_its_own_level_among_its_peers_a_departure_is_the_deviation_in_healthy_spreads():
    assert departure(0.0, 1.0) == pytest.approx(2.0, abs=0.05)
    assert departure(0.5, -1.5) == pytest.approx(-3.0, abs=0.1)


def test_a_repaired_vehicle_is_back_among_its_peers_although_far_from_its_own_past():
    returned, gone = departure(-14.0, 14.0), departure(0.0, 14.0)
    assert abs(returned) < 1.0
    assert gone > 6.0


def test_a_vehicle_that_scatters_twice_as_much_is_back_where_its_peers_are():
    assert abs(departure(-14.0, 7.0, scale=2.0)) < 1.0
    assert departure(-14.0, 14.0, scale=2.0) > 5.0


def test_a_defect_that_stood_from_the_first_reading_is_seen_by_the_peers():
    assert departure(14.0, 0.0) > 5.0
    assert abs(departure(2.0, 0.0)) < 0.5


@given(st.floats(0, 60), st.floats(0.1, 20))
def test_going_farther_from_a_usual_level_is_never_less_of_a_departure(z, more):
    assert departure(0.0, z + more) >= departure(0.0, z) - 1e-6


def test_what_was_not_read_or_is_relearning_does_not_count():
    assert np.isnan(departure(np.nan, 1.0))
    assert np.isnan(departure(0.0, 9.0, relearning=True))


@given(st.floats(-500, 500), st.floats(-500, 500))
def test_z_scores_stay_finite_and_flip_with_the_side(own, z):
    assert np.isfinite(departure(own, z))
    assert departure(-own, -z) == -departure(own, z)
