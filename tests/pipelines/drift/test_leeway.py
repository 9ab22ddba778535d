"""Leeway counts towards sides that can fault, and stays within 0 and 100."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.drift.leeway import leeway


def one(level, deviation, *, low=True, high=True, centre=0.0):
    return leeway(
        np.array([level], dtype=np.float32), np.array([deviation], dtype=np.float32), np.array([centre]),
        low_limit=-20.0, high_limit=20.0, measured_low=low, measured_high=high,
    )[0]  # fmt: skip


def test_half_of_the_way_to_the_limit_leaves_half():
    assert one(10, 10) == 50
    assert one(-5, -5) == 75


def test_a_side_that_never_faults_does_not_count():
    assert one(19, 19, high=False) == 100
    assert one(-19, -19, low=False) == 100
    assert one(19, 19, high=True, low=False) == pytest.approx(5)
    assert np.isnan(one(19, 19, low=False, high=False))


def test_the_centre_is_where_leeway_is_whole():
    assert one(4, 1, centre=4.0) == 100
    assert one(12, 8, centre=4.0) == 50


@given(st.floats(-60, 60), st.floats(-60, 60), st.floats(-19, 19))
def test_it_is_a_percentage_whatever_is_read(level, deviation, centre):
    assert 0 <= one(level, deviation, centre=centre) <= 100
