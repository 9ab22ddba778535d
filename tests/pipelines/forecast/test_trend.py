import numpy as np
import pytest

from pipelines.forecast.trend import MOST, line, newest_readings, noise_variance, since_jump

SIGMA, SLOPE_SD = 1.0, 0.5
WEEKLY = np.arange(0.0, 70.0, 7.0)


def readings(levels, day=WEEKLY, epoch=None):
    """(times, levels, count) of one series up to its newest reading."""
    values = np.asarray(levels, dtype=np.float32)[:, None]
    epochs = np.zeros((len(values), 1), dtype=np.int32) if epoch is None else np.array(epoch, dtype=np.int32)[:, None]
    times, smoothed = np.empty(MOST), np.empty(MOST)
    count = newest_readings(values, epochs, np.asarray(day, dtype=float), len(values) - 1, 0, 0, times, smoothed)
    return times, smoothed, count


def story(levels, **changes):
    times, smoothed, count = readings(levels, **changes)
    noise = noise_variance(times, count, SIGMA, 0.1)
    return *line(times, smoothed, count, noise, SLOPE_SD), *since_jump(times, smoothed, count, noise, SLOPE_SD)


def test_a_ramp_is_a_line_that_ends_at_its_newest_reading():
    mean, at, slope, _, _, _, jumped = story(WEEKLY * 2.0)
    assert slope == pytest.approx(2.0, rel=0.02)
    assert mean - slope * at == pytest.approx(WEEKLY[-1] * 2.0, rel=0.02)
    assert jumped < 0.05


def test_a_jump_is_told_from_a_ramp_and_dated():
    *_, since, jumped = story(np.where(WEEKLY >= 42, 20.0, 0.0))
    assert jumped > 0.99
    assert since == 4  # weeks 42, 49, 56 and 63


def test_noise_alone_goes_nowhere():
    noise = np.random.default_rng(1).normal(0, SIGMA, 10)
    _, _, slope, _, variance, _, jumped = story(noise)
    assert abs(slope) < 3 * np.sqrt(variance)
    assert jumped < 0.5


def test_one_misread_value_moves_nothing():
    for place in (4, 7, 8, 9):
        levels = np.zeros(10)
        levels[place] = 500.0
        assert readings(levels)[1][:7] == pytest.approx(np.zeros(7))


def test_readings_of_an_earlier_learning_epoch_and_old_ones_stay_out():
    assert readings(np.zeros(10), epoch=[0] * 7 + [1] * 3)[2] == 3
    assert readings(np.zeros(10))[2] == 7  # six weeks and a bit
    assert readings(np.zeros(10), day=WEEKLY * 4)[2] == 4
    assert readings([np.nan] * 10)[2] == 0


def test_a_single_reading_is_its_level_without_a_slope():
    mean, at, slope, variance, slope_variance, since, jumped = story([5.0], day=[0.0])
    assert (mean, at, slope, since, jumped) == (5.0, 0.0, 0.0, 1, 0.0)
    assert variance == pytest.approx(SIGMA**2)
    assert slope_variance == pytest.approx(SLOPE_SD**2)
