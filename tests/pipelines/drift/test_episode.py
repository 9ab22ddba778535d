"""What is said of an alarm: the shape of its growth, learned from the alarms that stand, and its dates."""

import numpy as np
import pytest

from pipelines.drift import episode

DAY = np.arange(40) * 7.0
MEMORY = 0.5


def trace_of(change, rng):
    """Steps of a filter whose level is known to be 0 and whose noise, of sd 1, has this memory between readings."""
    steps = np.zeros((len(DAY), 6))
    steps[:, 1], steps[:, 2], steps[:, 4] = 1.0, np.sqrt(1 - MEMORY**2), MEMORY
    moved = np.diff(change, prepend=0.0) + (1 - MEMORY) * np.append(0.0, change[:-1])
    steps[:, 3] = moved / steps[:, 2] + rng.standard_normal(len(DAY))
    return steps


def cases(growth, count=40):
    rng = np.random.default_rng(3)
    for vehicle in range(count):
        since = np.maximum(DAY - rng.uniform(60, 120), 0)
        yield episode.Case(
            family="A", correction=0, vehicle=vehicle, alarm_at=200.0, sigma=1.0, room=np.array([np.nan, 25.0]),
            trace=trace_of(growth(since / 30), rng), day=DAY, since=(np.empty((0, 6)), DAY), way=(DAY, DAY * 50),
        )  # fmt: skip


@pytest.mark.parametrize(
    ("growth", "shape"), [(lambda t: 3.0 * (t > 0), 0), (lambda t: 1.5 * t, 1), (lambda t: 0.5 * t**2, 2)]
)
def test_the_shapes_that_a_fleets_alarms_have_are_learned_from_them(growth, shape):
    shares = np.exp(episode.learned_kinds(list(cases(growth)))).sum(axis=1)
    assert shares.sum() == pytest.approx(1)
    assert np.argmax(shares) == shape
    assert shares[shape] > episode.USUAL_SHAPES[shape] + 0.15


def test_without_alarms_the_usual_shapes_are_taken():
    np.testing.assert_allclose(np.exp(episode.learned_kinds([])).sum(axis=1), episode.USUAL_SHAPES)


def test_a_straight_rise_meets_its_limit_where_it_does():
    rng = np.random.default_rng(4)
    since = np.maximum(DAY - 100, 0) / 30
    kinds = episode.learned_kinds(list(cases(lambda t: 2.0 * t)))
    room = np.array([np.nan, 25.0])
    low, at, high, rate, p10, p50, p90 = episode.posterior(trace_of(2.0 * since, rng), DAY, 1.0, room, kinds)
    assert low <= 100 <= high
    assert abs(at - 100) < 21
    assert rate == pytest.approx(2.0, rel=0.2)
    assert p10 < 475 < p90  # 25 sigmas at 2 in 30 days, from day 100
    assert p50 == pytest.approx(475, abs=40)
