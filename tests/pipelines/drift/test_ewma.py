"""EWMA run lengths against published values, by the Markov chain and by simulation."""

import numpy as np
import pytest

from tests.pipelines.drift.ewma import average_run_length, ewma


@pytest.mark.parametrize(
    ("weight", "limit", "lengths"),
    [
        (0.05, 2.615, [499.9, 28.8, 11.38, 5.22]),
        (0.10, 2.814, [499.6, 31.3, 10.33, 4.36]),
        (0.20, 2.962, [499.7, 41.8, 10.54, 3.74]),
        (0.40, 3.054, [500.0, 71.2, 14.26, 3.52]),
    ],
)
def test_run_lengths_of_the_markov_chain_are_the_published_ones(weight, limit, lengths):
    found = [average_run_length(weight=weight, limit=limit, shift=shift) for shift in (0, 0.5, 1, 2)]
    assert found == pytest.approx(lengths, rel=5e-3)


@pytest.mark.parametrize(("weight", "limit"), [(0.05, 3.795), (0.1, 3.908), (0.2, 3.986)])
def test_limits_for_a_wanted_run_length(weight, limit):
    assert average_run_length(weight=weight, limit=limit, shift=0) == pytest.approx(18263, rel=0.02)


def test_the_chart_itself_runs_as_long_as_the_chain_says():
    z = np.random.default_rng(6).normal(1.0, 1.0, (8000, 120))
    over = np.abs(ewma(z, weight=0.1)) > 2.814
    lengths = over.argmax(axis=1) + 1
    assert lengths.mean() == pytest.approx(10.33, abs=4 * lengths.std() / np.sqrt(len(lengths)))


def test_a_reading_not_taken_holds_the_average():
    out = ewma(np.array([[1.0, np.nan]]), weight=0.5)
    assert out[0, 0] == out[0, 1]
