"""Each vehicle's own scatter: told from its readings before, not swollen by drifts, widened by what is uncertain."""

import numpy as np
import pytest

from pipelines.bands.normal import SERIES_SPREAD, VEHICLE_SPREAD
from pipelines.bands.scatter import (
    WIDENINGS,
    Law,
    Rows,
    Said,
    blank_scatter,
    listen,
    series_scales,
    vehicle_scales,
    widenings,
)
from pipelines.bands.spread import learn_spread, pooled_spreads

WEEKS, CODES = 60, 12
NOISE = {"sigma": 1.0, "memory_days": -7 / np.log(0.5), "rounding": 0.0, "wander": 0.0}


def fleet(scale, *, seed=1, step=0.0):
    """[C, R] weekly noise with memory, each vehicle's times its scale [V] or each series' times [C, V]."""
    rng = np.random.default_rng(seed)
    vehicles = np.shape(scale)[-1]
    x = rng.standard_normal((CODES, vehicles, WEEKS))
    for w in range(1, WEEKS):
        x[..., w] = 0.5 * x[..., w - 1] + np.sqrt(0.75) * x[..., w]
    x *= np.broadcast_to(scale, (CODES, vehicles))[..., None]
    x = np.round(x / step) * step if step else x
    return (
        x.reshape(CODES, -1).astype(np.float32),
        np.arange(vehicles + 1) * WEEKS,
        np.tile(np.arange(WEEKS) * 7.0, vehicles),
    )


def learned(x, row_start, day, *, rounding=0.0, step=0.0):
    noise = {name: np.full(CODES, value) for name, value in (NOISE | {"rounding": rounding}).items()}
    return learn_spread(x, np.zeros(x.shape, np.int32), row_start, day, noise, np.full(CODES, step))


def scales(x, row_start, day, spread, *, vehicle, series):
    """[C, R] what the filter takes, without the widening."""
    first, last, block = row_start[:-1], row_start[1:], np.zeros(len(day), np.int32)
    told, weight, own = np.zeros((len(day), 3)), np.empty(x.shape, np.float32), np.empty(x.shape, np.float32)
    noise = list(NOISE.values())
    models = [np.array([(*noise, mean, series, spread.reading)], dtype=SERIES_SPREAD) for mean in spread.mean]
    for c, model in enumerate(models):
        rows = Rows(x[c], np.zeros(len(day), np.int32), np.ones(len(day), bool), day, block)
        law = Law(model, np.array([np.inf]), np.nan, np.nan, 0.0)
        listen(rows, law, first, last, blank_scatter(len(first)), Said(told, weight[c], own[c]))
    differ = np.array([(vehicle, spread.occasion, spread.information)], dtype=VEHICLE_SPREAD)
    theirs = vehicle_scales(told, row_start, block, differ)
    none = np.ones((1, len(WIDENINGS)))
    return np.array([series_scales(*theirs, weight[c], own[c], block, models[c], none) for c in range(CODES)])


def test_how_differently_vehicles_and_series_scatter_comes_back():
    rng = np.random.default_rng(2)
    scale = np.exp(rng.normal(0, 0.3, 150) + rng.normal(0, 0.1, (CODES, 150)))
    spread = learned(*fleet(scale))
    assert np.sqrt(spread.vehicle) == pytest.approx(0.3, rel=0.2)
    assert np.sqrt(spread.series) == pytest.approx(0.1, rel=0.3)


def test_a_fleet_of_like_vehicles_shows_next_to_no_difference():
    spread = learned(*fleet(np.ones(150)))
    assert max(np.sqrt(spread.vehicle), np.sqrt(spread.series)) < 0.05
    assert spread.mean == pytest.approx(np.ones(CODES), abs=0.05)


def test_scale_is_told_in_spite_of_rounding_as_coarse_as_the_noise():
    scale = np.repeat([0.7, 1.5], 60)
    x, row_start, day = fleet(scale, step=1.0)
    spread = learned(x, row_start, day, rounding=1 / 12, step=1.0)
    shown = spread.vehicle_shown[:, 0]
    assert shown[60:].mean() / shown[:60].mean() == pytest.approx(1.5 / 0.7, rel=0.2)


def test_a_vehicle_is_known_within_weeks_and_a_series_drawn_to_it():
    rng = np.random.default_rng(3)
    true = np.exp(rng.normal(0, 0.3, 80))
    x, row_start, day = fleet(true)
    spread = learned(x, row_start, day)
    found = scales(x, row_start, day, spread, vehicle=0.09, series=0.01)
    eighth = found[:, row_start[:-1] + 8].mean(axis=0)
    assert np.std(np.log(eighth / true)) < 0.12
    assert found[:, row_start[:-1]] == pytest.approx(np.tile(spread.mean[:, None], 80))  # nothing known: the family's


def test_drifts_and_jumps_do_not_swell_it():
    x, row_start, day = fleet(np.ones(40))
    spread = learned(x, row_start, day)
    steady = scales(x, row_start, day, spread, vehicle=0.06, series=0.01)
    x[:, :WEEKS] += np.arange(WEEKS) * 0.25  # a sigma a month in every correction of the first vehicle
    x[:, WEEKS : 2 * WEEKS] += 8.0 * (np.arange(WEEKS) > 30)
    moved = scales(x, row_start, day, spread, vehicle=0.06, series=0.01)
    last = row_start[1:3] - 1
    assert moved[:, last] / steady[:, last] == pytest.approx(np.ones((CODES, 2)), abs=0.06)


def test_scale_before_a_reading_does_not_know_it():
    x, row_start, day = fleet(np.ones(5))
    spread = learned(x, row_start, day)
    before = scales(x, row_start, day, spread, vehicle=0.06, series=0.01)
    x[:, 30:WEEKS] *= 3
    after = scales(x, row_start, day, spread, vehicle=0.06, series=0.01)
    np.testing.assert_array_equal(before[:, :31], after[:, :31])
    assert (after[:, WEEKS - 1] > before[:, WEEKS - 1] * 1.3).all()


def test_a_widened_scale_keeps_the_rate_of_false_alarms():
    """Scales that are log-normally wrong by a tenth: evidence beyond the threshold is as rare as it should be."""
    threshold, error = 11.0, 0.01
    widening = np.interp(error, WIDENINGS, widenings(np.array([threshold]))[0])
    wrong = np.random.default_rng(4).normal(0, np.sqrt(error), 4_000_000)
    assert np.exp(-threshold * widening**2 * np.exp(-2 * wrong)).mean() == pytest.approx(np.exp(-threshold), rel=0.03)
    assert widenings(np.array([threshold]))[0, 0] == pytest.approx(1.0)


def test_a_small_family_leans_on_the_fleet():
    alike, different = learned(*fleet(np.ones(60))), learned(*fleet(np.exp(np.random.default_rng(5).normal(0, 0.4, 3))))
    drawn = pooled_spreads([alike, different], np.array([1, 1]))
    assert drawn[0][0] < drawn[1][0] < max(different.vehicle, 0.0625)
