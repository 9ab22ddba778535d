"""Each limit's own place and sharpness, from person-time that was made by them. A second."""

import numpy as np
import polars as pl
import pytest

from pipelines.forecast import limit_hazard
from pipelines.forecast.kinds import kind_numbers, kinds, sides_of
from pipelines.forecast.limit_hazard import LimitHazard, Nearing, learn_limits
from pipelines.forecast.time_grid import DAYS, within_horizons

PLACES = np.log([0.5, 1.0])


def nearing(used, rate=0.0):
    used = np.atleast_2d(np.asarray(used, dtype=np.float32))
    return Nearing(used=used, rate=np.full_like(used, rate), stale=np.zeros(len(used)))


def hazard(place=PLACES, sharp=20.0, steady=-20.0):
    return LimitHazard(steady=steady, pace=1.0, doubt=0.3, sharpness=np.full(len(place), np.log(sharp)), place=place)


def chance(told, near):
    return within_horizons(np.log1p(np.exp(told.announced(near))) / DAYS)


def test_a_limit_is_as_likely_met_as_not_where_it_lies_and_hardly_ever_far_before():
    at, far = chance(hazard(), nearing([[0.5, 0.0], [0.25, 0.0]]))
    assert at[0] == pytest.approx(0.5, abs=1e-6)
    assert far.max() < 0.01


def test_limits_that_are_near_at_once_add_their_odds():
    one, other, both = np.exp(hazard().announced(nearing([[0.4, 0.0], [0.0, 0.9], [0.4, 0.9]])))
    assert both == pytest.approx(one + other)


def test_what_grows_is_nearer_later_and_what_is_off_in_nothing_announces_nothing():
    still, grows = (chance(hazard(), nearing([[0.3, 0.0]], rate))[0] for rate in (0.0, 0.004))
    assert grows[2] > still[2] + 0.5
    assert chance(hazard(), nearing([[0.0, 0.0]])).max() < 1e-5


def made(told, near, seed=1):
    """Days at risk and faults of rows whose hazard is that of `told`."""
    rate = (np.log1p(np.exp(told.announced(near))) / DAYS + np.exp(told.steady)) * DAYS
    needed = np.random.default_rng(seed).exponential(size=len(rate))
    before = np.cumsum(rate, axis=1) - rate
    fault = (needed[:, None] > before) & (needed[:, None] <= before + rate)
    share = np.clip((needed[:, None] - before) / rate, 0, 1)
    return DAYS * share, fault.astype(float)


def test_faults_that_come_before_one_limit_alone_move_that_one():
    rng = np.random.default_rng(2)
    used = np.zeros((6000, 2))
    used[np.arange(6000), rng.integers(0, 2, 6000)] = rng.uniform(0.1, 1.0, 6000)
    days, faults = made(hazard(steady=-8.0), nearing(used))
    found = learn_limits(nearing(used), days, faults, distinct=faults.sum())
    assert np.exp(found.place) == pytest.approx([0.5, 1.0], rel=0.06)
    assert found.steady == pytest.approx(-8.0, abs=0.4)


def test_the_slope_of_the_loss_is_its_slope(monkeypatch):
    used = np.random.default_rng(3).uniform(0.0, 1.2, (200, 3)) * [[1, 0, 1]]
    near = nearing(used, 0.003)
    days, faults = made(hazard(place=np.log([0.6, 1.0, 0.9]), steady=-7.0), near)
    seen = {}

    def look(loss, start, **_):
        line = start + np.random.default_rng(4).normal(0, 0.1, len(start))
        steps = 1e-5 * np.eye(len(line))
        by_hand = np.array([(loss(line + step)[0] - loss(line - step)[0]) / 2e-5 for step in steps])
        seen["apart"] = np.abs(by_hand - loss(line)[1]).max() / np.abs(by_hand).max()
        return type("Found", (), {"x": line})

    monkeypatch.setattr(limit_hazard, "minimize", look)
    learn_limits(near, days, faults, distinct=faults.sum())
    assert seen["apart"] < 1e-5


def test_corrections_that_differ_in_bank_or_cylinder_alone_are_of_one_kind():
    rows = pl.DataFrame(
        {
            "code": ["trim_b1", "trim_b2", "idle_b1", "flow", "flow_too"],
            "title": ["a", "b", "c", "d", "e"],
            "region": ["low", "low", "idle", "low", "low"],
            "bank": [1, 2, 1, None, None],
            "cylinder": [None] * 5,
        },
        schema_overrides={"cylinder": pl.Int64},
    )
    assert kinds(rows) == {
        "trim_b1": "trim_b1", "trim_b2": "trim_b1", "idle_b1": "idle_b1", "flow": "flow", "flow_too": "flow_too",
    }  # fmt: skip
    sides = sides_of(rows, ["trim_b2", "flow"])
    assert sides == ("flow low", "flow high", "trim_b1 low", "trim_b1 high")
    np.testing.assert_array_equal(kind_numbers(rows, ["trim_b2", "flow"], sides), [1, 0])
