"""What is output of an alarm: the shape of its growth, learned from the alarms that stand, and its dates."""

import numpy as np
import pytest

from pipelines.drift import onset_posterior
from pipelines.drift.series import NO_TRACE, STEP

DAY = np.arange(40) * 7.0
MEMORY = 0.5


def trace_of(change, rng):
    """Steps of a filter whose level is known to be 0 and whose noise, of sd 1, has this memory between readings."""
    steps = np.zeros(len(DAY), dtype=STEP)
    steps["noise_gain"], steps["sd"], steps["memory"] = 1.0, np.sqrt(1 - MEMORY**2), MEMORY
    moved = np.diff(change, prepend=0.0) + (1 - MEMORY) * np.append(0.0, change[:-1])
    steps["score"] = moved / steps["sd"] + rng.standard_normal(len(DAY))
    return steps


def open_alarms(growth, count=40):
    rng = np.random.default_rng(3)
    for vehicle in range(count):
        since = np.maximum(DAY - rng.uniform(60, 120), 0)
        yield onset_posterior.OpenAlarm(
            family="A", correction=0, vehicle=vehicle, alarm_at=200.0, far=False, sigma=1.0,
            room=np.array([np.nan, 25.0]),
            trace=trace_of(growth(since / 30), rng), day=DAY, since=(NO_TRACE, DAY), way=(DAY, DAY * 50),
        )  # fmt: skip


@pytest.mark.parametrize(
    ("growth", "shape"), [(lambda t: 3.0 * (t > 0), 0), (lambda t: 1.5 * t, 1), (lambda t: 0.5 * t**2, 2)]
)
def test_the_shapes_that_a_fleets_alarms_have_are_learned_from_them(growth, shape):
    shares = np.exp(onset_posterior.learned_kinds(list(open_alarms(growth)))).sum(axis=1)
    assert shares.sum() == pytest.approx(1)
    assert np.argmax(shares) == shape
    assert shares[shape] > onset_posterior.USUAL_SHAPES[shape] + 0.15


def test_without_alarms_the_usual_shapes_are_taken():
    np.testing.assert_allclose(np.exp(onset_posterior.learned_kinds([])).sum(axis=1), onset_posterior.USUAL_SHAPES)


def test_a_straight_rise_meets_its_limit_where_it_does():
    rng = np.random.default_rng(4)
    since = np.maximum(DAY - 100, 0) / 30
    kinds = onset_posterior.learned_kinds(list(open_alarms(lambda t: 2.0 * t)))
    room = np.array([np.nan, 25.0])
    low, at, high, rate, p10, p50, p90 = onset_posterior.posterior(trace_of(2.0 * since, rng), DAY, 1.0, room, kinds)
    assert low <= 100 <= high
    assert abs(at - 100) < 21
    assert rate == pytest.approx(2.0, rel=0.2)
    assert p10 < 475 < p90  # 25 sigmas at 2 in 30 days, from day 100
    assert p50 == pytest.approx(475, abs=40)
