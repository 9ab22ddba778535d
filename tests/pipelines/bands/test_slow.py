"""How wander follows a vehicle's scatter: told from series that do and that do not, and drawn to what all show."""

from types import SimpleNamespace

import numpy as np
import pytest

from pipelines.bands.slow import FAMILIES_DIFFER, Followed, learn_followed, own_wander, pooled_followed

CODES, VEHICLES, WEEKS = 16, 60, 100
MEMORY_DAYS = 7.0
WANDER = 2e-3  # variance per day, in the noise's


def learned(exponent, *, wander=WANDER, drifting=0, vehicles=VEHICLES):
    """Of weekly noise with memory, times each vehicle's scale, on levels whose wander goes with a power of that."""
    rng = np.random.default_rng(1)
    scale = np.exp(rng.normal(0, 0.3, vehicles))[:, None]
    shape, rho = (CODES, vehicles, WEEKS), np.exp(-7 / MEMORY_DAYS)
    x = rng.standard_normal(shape)
    for w in range(1, WEEKS):
        x[..., w] = rho * x[..., w - 1] + np.sqrt(1 - rho**2) * x[..., w]
    x *= scale
    x += np.cumsum(scale**exponent * np.sqrt(7 * WANDER) * rng.standard_normal(shape), axis=2)
    x[:2, :drifting] += np.arange(WEEKS) * 0.1
    fit = SimpleNamespace(
        healthy=x.reshape(CODES, -1).astype(np.float32),
        epoch=np.zeros((CODES, vehicles * WEEKS), np.int32),
        row_start=np.arange(vehicles + 1) * WEEKS,
        day=np.tile(np.arange(WEEKS) * 7.0, vehicles),
    )
    noise = {"sigma": 1.0, "memory_days": MEMORY_DAYS, "rounding": 0.0, "wander": wander}
    return learn_followed(
        fit, {name: np.full(CODES, value) for name, value in noise.items()}, np.tile(scale[:, 0], (CODES, 1))
    )


@pytest.mark.parametrize(("exponent", "slope"), [(0.0, 0.0), (1.0, WANDER)])
def test_whether_wander_follows_scatter_is_told_within_its_error(exponent, slope):
    shown = learned(exponent)
    assert np.sqrt(shown.error) < WANDER / 5
    assert abs(shown.slope - slope) < 3 * np.sqrt(shown.error)


def test_vehicles_that_drift_do_not_pass_for_it():
    assert learned(0.0, drifting=9).slope == pytest.approx(0.0, abs=WANDER / 3)


def test_few_vehicles_show_nothing_and_take_what_others_show():
    shown = learned(1.0, vehicles=4)
    assert shown.error == np.inf
    drawn = pooled_followed([shown, Followed(slope=2e-3, error=1e-8)], np.array([1, 1]))
    assert drawn == pytest.approx([2e-3, 2e-3], rel=0.1)
    assert pooled_followed([shown], np.array([1])) == pytest.approx([0.0])


def test_a_family_is_drawn_to_the_elder_ones_by_its_error():
    shown = [Followed(slope=0.0, error=1e-10), Followed(slope=2e-3, error=FAMILIES_DIFFER**2)]
    drawn = pooled_followed(shown, np.array([2, 0]))
    assert drawn == pytest.approx([0.0, 1e-3], abs=1e-5)


def test_a_calm_series_wanders_as_a_usual_one_or_less_and_never_not_at_all():
    assert own_wander(0.1, 0.0, 2.0, 0.5) == pytest.approx(0.1)
    assert own_wander(0.1, 0.1, 2.0, 0.5) == pytest.approx(0.025)
    assert own_wander(0.1, -0.1, 2.0, 0.5) == pytest.approx(0.175)
    assert 0 < own_wander(0.1, -0.1, 2.0, 2.0) < 0.01
