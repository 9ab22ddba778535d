import numpy as np
import pytest

from pipelines.forecast.correction_risk import BELIEF, learn_risks, risks_of
from pipelines.forecast.failure_direction import FOLDS


def record(faults_a, faults_b):
    """Forty rows led by each of two corrections, a quarter of a fault expected of each; folds in turn."""
    lead = np.repeat([0, 1], 40)
    expected = np.full(80, 0.25)
    faults = np.concatenate([np.full(40, faults_a / 40), np.full(40, faults_b / 40)])
    return lead, 4, expected, faults, np.arange(80) % FOLDS


def test_a_correction_whose_straying_ends_in_faults_more_often_is_worth_more_as_a_warning():
    risks = learn_risks(*record(20.0, 5.0))
    assert risks.shape == (FOLDS, 4)
    assert risks[:, 0] == pytest.approx(np.log((16 + BELIEF) / (8 + BELIEF)))
    assert (risks[:, 1] < 0).all()


def test_a_correction_that_never_led_is_worth_what_the_others_are():
    assert learn_risks(*record(20.0, 5.0))[:, 2:] == pytest.approx(0.0)
    assert risks_of(np.ones((FOLDS, 4)), np.array([-1, 2]), np.array([0, 3])).tolist() == [0.0, 1.0]


def test_a_vehicles_own_faults_say_nothing_of_it():
    lead, sides, expected, faults, fold = record(20.0, 5.0)
    own = fold == 2
    changed = learn_risks(lead, sides, expected, np.where(own, 9.0, faults), fold)
    assert changed[2] == pytest.approx(learn_risks(lead, sides, expected, faults, fold)[2])
    assert not np.allclose(changed[1], learn_risks(lead, sides, expected, faults, fold)[1])
