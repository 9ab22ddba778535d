"""Scatter that grows and steps as evidence; under a second."""

import numpy as np

from pipelines.causes.shape import MOST_NATS, log_scatter_growth, log_scatter_ratio, log_step_ratio


def path(family, code, values):
    """The readings of one correction of the first vehicle, in sigmas from neutral."""
    c = family.panel.codes.index(code)
    family.panel.values[: len(values), c] = family.panel.neutral[c] + np.array(values) * family.sigma[c]
    return c


def test_a_step_is_told_from_a_ramp_and_noise_from_neither(healthy):
    family, noise = healthy(rows=30), np.random.default_rng(2).normal(0, 0.6, 30)
    first = np.array([0])

    def said(shape):
        c = path(family, "throttle_closed", noise + shape)
        return log_step_ratio(family, np.array([c]), first)[0]

    assert said(np.where(np.arange(30) >= 18, 8.0, 0.0)) == MOST_NATS
    assert said(np.clip(np.arange(30) - 15, 0, None) * 0.8) < -1
    assert abs(said(np.zeros(30))) < 2


def test_readings_that_scatter_more_speak_for_a_cause_that_lets_them(healthy):
    family, rng = healthy(rows=50), np.random.default_rng(3)
    noise = rng.normal(0, 0.6, 50)
    c = path(family, "iac_neutral", noise * np.where(np.arange(50) >= 40, 4.0, 1.0))
    growth = log_scatter_growth(family, np.array([0]))
    assert growth[0, c] > 0.7
    expected = np.zeros((2, len(family.panel.codes)))
    expected[0, c] = np.log(2.5)
    ratio = log_scatter_ratio(growth, expected)[0]
    assert ratio[0] > 0.5
    assert ratio[1] == 0


def test_too_few_readings_say_nothing(healthy):
    family = healthy(rows=8)
    assert np.isnan(log_scatter_growth(family, np.array([0]))).all()
    assert log_step_ratio(family, np.array([0]), np.array([0]))[0] == 0
