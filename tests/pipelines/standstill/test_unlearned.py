"""A correction whose region sleeps stands; that is told from noise below the step, and shows nothing."""

import numpy as np
import pytest
from scipy.signal import lfilter

from pipelines.standstill.unlearned import learned_readings, stands_from, unlearned_rows


def series(spread, asleep, vehicles=40, weeks=80, seed=3):
    """[1, R] noise with memory, rounded to 1, held where `asleep` [vehicles, weeks]; its epochs and vehicles' rows."""
    rng = np.random.default_rng(seed)
    noise = spread * lfilter([np.sqrt(0.75)], [1, -0.5], rng.standard_normal((vehicles, weeks)), axis=1)
    values = np.round(noise)
    for week in range(1, weeks):
        values[:, week] = np.where(asleep[:, week], values[:, week - 1], values[:, week])
    shape = (1, vehicles * weeks)
    return (
        values.reshape(shape).astype(np.float32), np.zeros(shape, dtype=np.int32), np.arange(vehicles + 1) * weeks,
    )  # fmt: skip


@pytest.mark.parametrize("spread", [0.3, 1.0, 5.0])
@pytest.mark.parametrize("resolution", [0.0, 1.0])
def test_noise_below_and_above_its_step_is_no_standstill(spread, resolution):
    awake = np.zeros((40, 80), dtype=bool)
    assert stands_from(*series(spread, awake), np.array([resolution]))[0] > 1


@pytest.mark.parametrize("spread", [1.0, 5.0])
def test_winters_and_duties_that_never_visit_the_region_are_standstills(spread):
    winter = np.broadcast_to(np.arange(80) % 52 < 26, (40, 80))
    duty = np.broadcast_to((np.arange(40) < 20)[:, None], (40, 80))
    for asleep in (winter, duty):
        assert stands_from(*series(spread, asleep), np.array([1.0]))[0] == 1


def test_a_value_held_by_its_limit_is_no_repeat_and_what_was_not_read_between_is_none():
    values = np.array([3, 3, 9, 9, 9, 4, 4, np.nan, 4, 5], dtype=np.float32)
    found = unlearned_rows(values, np.array([0, 10]), 1.0, np.nan, 9.0)
    assert np.flatnonzero(found).tolist() == [1, 6, 8]


def test_a_series_that_rounding_often_repeats_stands_from_as_many_repeats_as_chance_does_not_make():
    values = np.array([3, 3, 3, 4, 4, 4, 4, 4, 3], dtype=np.float32)
    found = unlearned_rows(values, np.array([0, 9]), 3.0, np.nan, np.nan)
    assert np.flatnonzero(found).tolist() == [6, 7]


@pytest.mark.parametrize("begin", [(0, 4), (3, 5), (4, 4), (4, 6)])
def test_hours_before_a_standing_reading_are_not_learned_in_and_it_is_as_if_not_read(begin):
    hours = np.array([0.0, 10, 20, 30, 5, 15])
    values = np.array([1, 2, 2, 3, 7, 7], dtype=np.float32)
    whole = np.array([0, 4, 6]), np.array(begin), np.zeros(6, dtype=np.int32)
    read, run, stood = learned_readings(values, hours, *whole, np.array([1.0]), np.nan, np.nan)
    rows = [*range(begin[0], 4), *range(begin[1], 6)]
    np.testing.assert_array_equal(read, np.array([1, 2, np.nan, 3, 7, np.nan])[rows])
    assert run.tolist() == np.array([0, 10, 10, 20, 5, 5])[rows].tolist()
    assert stood.tolist() == np.isnan(read).tolist()
