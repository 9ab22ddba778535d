import numpy as np
import pytest

from pipelines.forecast.calibration import calibrate
from pipelines.forecast.failure_direction import held_out_scores, learn_direction
from pipelines.forecast.learners import learn_boosted, learn_logistic
from pipelines.forecast.scores import auc, calibration_line

RISING = np.array([1, 0])


def rows(count=4000, seed=1, against=False):
    rng = np.random.default_rng(seed)
    features = rng.normal(size=(count, 2))
    odds = -2 + (-1.0 if against else 1.0) * features[:, 0] - 0.8 * features[:, 1]
    return features, (rng.random(count) < 1 / (1 + np.exp(-odds))).astype(float), np.ones(count)


def learners():
    return {
        "logistic": lambda x, y, w: learn_logistic(x, y, w, rising=RISING, faults=y.sum()),
        "boosted": lambda x, y, w: learn_boosted(x, y, w, rising=RISING, seed=1),
    }


@pytest.mark.parametrize("name", ["logistic", "boosted"])
def test_more_of_a_rising_feature_never_lowers_the_risk_even_where_the_past_says_otherwise(name):
    hazard = learners()[name](*rows(against=True))
    grid = np.column_stack([np.linspace(-3, 3, 200), np.zeros(200)])
    assert (np.diff(hazard.predict(grid)) >= -1e-12).all()


@pytest.mark.parametrize("name", ["logistic", "boosted"])
def test_free_features_may_lower_the_risk(name):
    hazard = learners()[name](*rows())
    low, high = hazard.predict(np.array([[0.0, -2.0], [0.0, 2.0]]))
    assert low > 2 * high


def test_the_logistic_hazard_finds_the_odds_that_made_the_rows():
    features, fault, weight = rows(count=40_000)
    hazard = learn_logistic(features, fault, weight, rising=RISING, faults=fault.sum())
    assert hazard.weights[1:] / hazard.scale == pytest.approx([1.0, -0.8], abs=0.06)


@pytest.mark.parametrize(("faults", "method"), [(400, "beta"), (600, "isotonic")])
def test_calibration_straightens_forecasts_that_are_too_bold(faults, method):
    rng = np.random.default_rng(2)
    truth = rng.beta(1, 6, 30_000)
    fault = (rng.random(30_000) < truth).astype(float)
    odds = np.log(truth / (1 - truth))
    bold = 1 / (1 + np.exp(-(1.8 * odds + 0.7)))
    half = np.arange(30_000) < 15_000
    fitted = calibrate(bold[half], fault[half], np.ones(half.sum()), faults=faults)
    assert fitted.method == method
    after = fitted.apply(bold[~half])
    slope, intercept = calibration_line(after, fault[~half], np.ones(len(after)))
    assert slope == pytest.approx(1, abs=0.12)
    assert intercept == pytest.approx(0, abs=0.1)
    assert (np.diff(fitted.values) >= -1e-9).all()


def test_without_faults_forecasts_stay_as_they_are():
    fitted = calibrate(np.array([0.1, 0.3]), np.zeros(2), np.ones(2), faults=0)
    assert fitted.apply(np.array([0.2, 0.7])) == pytest.approx([0.2, 0.7], abs=1e-3)


def test_the_direction_of_failing_is_found_and_scored_on_other_vehicles_alone():
    rng = np.random.default_rng(4)
    fault = (rng.random(3000) < 0.1).astype(float)
    deviations = rng.normal(size=(3000, 12)) + np.outer(fault, np.r_[1.5, -1.5, np.zeros(10)])
    direction = learn_direction(deviations, fault, np.ones(3000), faults=100)
    assert set(np.argsort(-np.abs(direction))[:2]) == {0, 1}
    assert direction[0] > 0 > direction[1]
    vehicle = np.arange(3000) % 60
    scores = held_out_scores(deviations, fault, np.ones(3000), vehicle, faults=100)
    assert auc(scores, fault, np.ones(3000)) > 0.9
    noise = held_out_scores(rng.normal(size=(3000, 12)), fault, np.ones(3000), vehicle, faults=100)
    assert auc(noise, fault, np.ones(3000)) == pytest.approx(0.5, abs=0.08)
