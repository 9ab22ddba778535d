"""Scores of a group of corrections: comparable whatever their number, finite at the edges."""

import numpy as np
import pytest
from scipy.stats import norm

from pipelines.outliers.summaries import largest_score


def test_the_largest_of_one_deviation_scores_as_a_two_sided_normal_does():
    expected = -norm.ppf(2 * norm.sf(2.5))
    assert largest_score(np.array([2.5]), np.array([1]))[0] == pytest.approx(expected)


def test_the_largest_of_many_scores_lower_than_the_same_one_alone():
    alone, among_many = largest_score(np.array([3.0, 3.0]), np.array([1, 40]))
    assert among_many < alone


def test_nothing_read_and_nothing_off_score_the_least_there_is_without_a_warning():
    assert largest_score(np.array([0.0, 2.0, 0.0, 0.0]), np.array([0, 0, 1, 70])).max() < -8
