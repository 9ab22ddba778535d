"""CUSUM run lengths against published values, by the Markov chain and by simulation."""

import numpy as np
import pytest

from tests.pipelines.drift.cusum import average_run_length, cusum

SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 3]


@pytest.mark.parametrize(
    ("limit", "lengths"),
    [
        (4, [167.68, 74.22, 26.63, 13.29, 8.38, 4.75, 3.34, 2.19]),
        (5, [465.44, 139.49, 38.00, 17.05, 10.38, 5.75, 4.01, 2.57]),
    ],
)
def test_run_lengths_of_the_markov_chain_are_the_published_ones(limit, lengths):
    found = [average_run_length(allowance=0.5, limit=limit, shift=shift) for shift in SHIFTS]
    assert found == pytest.approx(lengths, rel=1e-3, abs=0.006)


@pytest.mark.parametrize(
    ("allowance", "limit", "length"),
    [(0.5, 4.774, 370.06), (0.25, 15.69, 18263), (0.5, 8.65, 18263), (0.75, 5.93, 18263)],
)
def test_limits_for_a_wanted_run_length(allowance, limit, length):
    assert average_run_length(allowance=allowance, limit=limit, shift=0) == pytest.approx(length, rel=0.02)


def first_passages(z, limit):
    upper, lower = cusum(z, allowance=0.5)
    over = np.maximum(upper, lower) > limit
    return np.where(over.any(axis=1), over.argmax(axis=1) + 1, z.shape[1])


def test_the_chart_itself_runs_as_long_as_the_chain_says():
    z = np.random.default_rng(4).normal(1.0, 1.0, (8000, 100))
    lengths = first_passages(z, 5.0)
    assert lengths.mean() == pytest.approx(10.38, abs=4 * lengths.std() / np.sqrt(len(lengths)))


@pytest.mark.parametrize(("memory", "length"), [(0.3, 97), (0.5, 52), (0.7, 34)])
def test_memory_that_is_not_whitened_breaks_the_run_length(memory, length):
    rng = np.random.default_rng(5)
    noise = rng.normal(0, 1, (2000, 500))
    z = np.empty_like(noise)
    z[:, 0] = noise[:, 0]
    for i in range(1, z.shape[1]):
        z[:, i] = memory * z[:, i - 1] + np.sqrt(1 - memory**2) * noise[:, i]
    assert first_passages(z, 5.0).mean() == pytest.approx(length, rel=0.08)


def test_a_reading_not_taken_holds_the_sums():
    upper, _ = cusum(np.array([[2.0, np.nan, 2.0]]), allowance=0.5)
    assert upper.tolist() == [[1.5, 1.5, 3.0]]
