import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pipelines.forecast.scores import (
    auc,
    average_precision,
    brier,
    brier_skill,
    calibration_line,
    decompose,
    remaining_survival,
)

ROWS = 200_000


def perfect(draw, seed: int = 5):
    rng = np.random.default_rng(seed)
    forecast = draw(rng)
    return forecast, (rng.random(len(forecast)) < forecast).astype(float), np.ones(len(forecast))


def test_perfect_uniform_forecasts_score_a_sixth_with_skill_a_third_and_auc_five_sixths():
    rows = perfect(lambda rng: rng.random(ROWS))
    assert brier(*rows) == pytest.approx(1 / 6, abs=0.002)
    assert brier_skill(*rows) == pytest.approx(1 / 3, abs=0.005)
    assert auc(*rows) == pytest.approx(5 / 6, abs=0.004)


def test_perfect_rare_forecasts_of_beta_1_9_score_as_theory_says():
    rows = perfect(lambda rng: rng.beta(1, 9, ROWS))
    assert brier(*rows) == pytest.approx(0.081818, abs=0.0015)
    assert brier_skill(*rows) == pytest.approx(1 / 11, abs=0.006)


def test_perfect_forecasts_have_slope_one_and_intercept_zero_and_bolder_ones_a_lower_slope():
    forecast, fault, weight = perfect(lambda rng: rng.beta(1, 4, ROWS))
    slope, intercept = calibration_line(forecast, fault, weight)
    assert slope == pytest.approx(1, abs=0.03)
    assert intercept == pytest.approx(0, abs=0.03)
    odds = np.log(forecast / (1 - forecast))
    assert calibration_line(1 / (1 + np.exp(-2 * odds)), fault, weight)[0] == pytest.approx(0.5, abs=0.02)


def test_a_constant_forecast_is_calibrated_but_discriminates_nothing():
    _, fault, weight = perfect(lambda rng: rng.beta(1, 9, 20_000))
    parts = decompose(np.full(len(fault), fault.mean()), fault, weight)
    assert parts.miscalibration == pytest.approx(0, abs=1e-9)
    assert parts.discrimination == pytest.approx(0, abs=1e-9)


@given(st.lists(st.tuples(st.floats(0.01, 0.99), st.booleans(), st.floats(0.1, 5)), min_size=2, max_size=40))
@example([(0.99, False, 1.0), (0.9899999999999999, False, 1.0), (0.5, True, 1.0)])
def test_the_brier_score_is_miscalibration_less_discrimination_plus_uncertainty(rows):
    forecast, fault, weight = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    parts = decompose(forecast, fault, weight)
    assert parts.miscalibration >= -1e-9
    assert parts.discrimination >= -1e-9
    total = parts.miscalibration - parts.discrimination + parts.uncertainty
    assert total == pytest.approx(brier(forecast, fault, weight), abs=1e-9)


def test_ties_count_half_in_auc_and_enter_together_in_average_precision():
    forecast, weight = np.array([0.5, 0.5, 0.2, 0.9]), np.ones(4)
    fault = np.array([1.0, 0.0, 0.0, 1.0])
    assert auc(forecast, fault, weight) == pytest.approx((0.5 + 1 + 1 + 1) / 4)
    assert average_precision(forecast, fault, weight) == pytest.approx(0.5 * 1 + 0.5 * 2 / 3)


def test_a_weight_of_two_scores_as_two_rows_would():
    rng = np.random.default_rng(3)
    forecast, fault = rng.random(50), (rng.random(50) < 0.4).astype(float)
    twice = np.where(np.arange(50) % 3 == 0, 2, 1)
    for score in (brier, brier_skill, auc, average_precision):
        repeated = score(np.repeat(forecast, twice), np.repeat(fault, twice), np.ones(twice.sum()))
        assert score(forecast, fault, twice.astype(float)) == pytest.approx(repeated)


def test_scores_that_need_both_outcomes_say_so_by_nan():
    forecast, none, weight = np.array([0.1, 0.2]), np.zeros(2), np.ones(2)
    assert np.isnan(auc(forecast, none, weight))
    assert np.isnan(brier_skill(forecast, none, weight))
    assert np.isnan(average_precision(forecast, none, weight))


def test_kaplan_meier_agrees_with_the_remission_times_of_freireich_1963():
    days = np.array([6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35], dtype=float)
    failed = np.array([1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0], dtype=float)
    survival = remaining_survival(days, failed, np.array([5.0, 6.0, 10.0, 23.0]))
    assert survival == pytest.approx([1.0, 0.8571, 0.7529, 0.4482], abs=5e-5)


@pytest.mark.parametrize("rate", [0.002, 0.5, 0.998])
@pytest.mark.parametrize("said", [1e-6, 0.5, 1 - 1e-6])
def test_calibration_lines_of_the_boldest_and_wrongest_forecasts_are_finite(said, rate):
    fault = (np.arange(500) < 500 * rate).astype(np.float64)
    forecast = np.append(np.full(499, said), 0.3)
    assert np.isfinite(calibration_line(forecast, fault, np.ones(500))).all()
