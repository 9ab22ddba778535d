import numpy as np
import pytest

from pipelines.forecast.failure_direction import FOLDS, along, learn_direction, learn_directions
from pipelines.forecast.learners import Signs, learn_linear
from pipelines.forecast.scores import auc
from pipelines.forecast.stacking import (
    BELIEF_IN_LEVEL,
    BELIEF_IN_SHARES,
    BELIEF_IN_SLOPE,
    BEND,
    Stack,
    stack,
)
from pipelines.forecast.time_grid import DAYS, ENDS, hazard_of, hazard_of_odds, odds_of_hazard, within_horizons

STEPS = len(DAYS)


def signs(now, rising=(1, 0)):
    return Signs(now=now, rising=np.array(rising), ahead=np.zeros((len(now), STEPS, 0)))


def person_time(now, weights, level=-6.0, seed=1):
    """Days at risk and faults of rows whose hazard is level over all steps."""
    rng = np.random.default_rng(seed)
    life = rng.exponential(np.exp(-(level + now @ np.array(weights))))
    begins = ENDS - DAYS
    return np.clip(life[:, None] - begins, 0, DAYS), ((life[:, None] > begins) & (life[:, None] <= ENDS)).astype(float)


def learned(weights, count=20_000, seed=1):
    now = np.random.default_rng(seed).normal(size=(count, 2))
    days, faults = person_time(now, weights)
    return learn_linear(signs(now), days, faults, distinct=faults.sum(), belief=1.0)


def test_more_of_a_rising_figure_never_lowers_the_risk_even_where_the_past_says_otherwise():
    hazard = learned((-1.0, 0.0)).log_hazard(signs(np.column_stack([np.linspace(-3, 3, 200), np.zeros(200)])))
    assert (np.diff(hazard, axis=0) >= -1e-12).all()


def test_free_figures_may_lower_the_risk():
    low, high = learned((0.5, -0.8)).log_hazard(signs(np.array([[0.0, -2.0], [0.0, 2.0]])))
    assert (low > high + 2).all()


def test_the_hazard_that_made_the_faults_is_found_at_every_step_ahead():
    found = learned((0.7, -0.4), count=60_000)
    at = found.log_hazard(signs(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])))
    assert at[0] == pytest.approx(np.full(STEPS, -6.0), abs=0.12)
    assert at[1] - at[0] == pytest.approx(np.full(STEPS, 0.7), abs=0.1)
    assert at[2] - at[0] == pytest.approx(np.full(STEPS, -0.4), abs=0.1)


def test_rows_followed_for_a_part_of_the_time_alone_tell_the_same_hazard():
    """A fleet's newest origins have been followed for days only; they may neither lower nor raise the risk."""
    now = np.zeros((40_000, 2))
    days, faults = person_time(now, (0.0, 0.0))
    seen = np.random.default_rng(3).uniform(0, 120, len(now))[:, None]
    shown = np.clip(np.minimum(days, seen - (ENDS - DAYS)), 0, None)
    seen_faults = faults * (shown >= days)
    found = learn_linear(signs(now), shown, seen_faults, distinct=seen_faults.sum(), belief=1.0)
    assert within_horizons(np.exp(found.log_hazard(signs(now[:1]))))[0, 2] == pytest.approx(
        1 - np.exp(-90 * np.exp(-6)), rel=0.06
    )


def test_odds_of_a_step_and_its_hazard_are_two_sides_of_one_thing():
    hazard = np.exp(np.linspace(-12, 0.5, 30))[:, None] * np.ones(STEPS)
    again, slope = hazard_of_odds(odds_of_hazard(hazard))
    assert again == pytest.approx(hazard, rel=1e-6)
    step = 1e-5
    raised, _ = hazard_of_odds(odds_of_hazard(hazard) + step)
    assert (raised - again) / step == pytest.approx(slope, rel=1e-3)


def test_wear_that_ends_in_a_fault_at_a_nearly_known_time_is_forecast_neither_too_boldly_nor_too_timidly():
    """Days left are read off with an error of ten: log hazards bend down where a fault is near."""
    rng = np.random.default_rng(8)
    left = rng.uniform(0, 300, 6000)
    read = -(left + rng.normal(0, 10, len(left))) / 30
    begins = ENDS - DAYS
    days = np.clip(left[:, None] - begins, 0, DAYS)
    faults = ((left[:, None] > begins) & (left[:, None] <= ENDS)).astype(float)
    known = Signs(now=read[:, None], rising=np.array([1]), ahead=np.zeros((len(left), STEPS, 0)))
    found = learn_linear(known, days, faults, distinct=faults.sum(), belief=1.0)
    within = within_horizons(np.exp(found.log_hazard(known)))[:, 1]
    middling = (within > 0.1) & (within < 0.9)
    assert (left[middling] <= 30).mean() == pytest.approx(within[middling].mean(), abs=0.03)
    for low, high in ((0.1, 0.4), (0.6, 0.9)):
        some = (within > low) & (within < high)
        assert (left[some] <= 30).mean() == pytest.approx(within[some].mean(), abs=0.04)


def test_survival_and_hazard_are_two_sides_of_one_thing():
    survival = np.exp(-0.002 * ENDS)[None, :]
    assert hazard_of(survival) == pytest.approx(np.full((1, STEPS), 0.002))
    assert within_horizons(hazard_of(survival))[0] == pytest.approx(1 - np.exp(-0.002 * np.array([7, 30, 90])))


def calibrated(told, truth, *, copies=2, seed=5):
    """Stack of `copies` equal base models on faults that follow the true log hazard."""
    rng = np.random.default_rng(seed)
    life = rng.exponential(np.exp(-truth))
    begins = ENDS - DAYS
    days = np.clip(life[:, None] - begins, 0, DAYS)
    faults = ((life[:, None] > begins) & (life[:, None] <= ENDS)).astype(float)
    log_odds = odds_told(told, copies)
    fitted = stack(log_odds, days, faults, np.arange(len(truth)), steady=-14.0, distinct=faults.sum())
    return fitted, log_odds


def odds_told(log_hazard, copies=2):
    """Log odds of equal base models that tell a hazard which is level over all steps, [n, L, copies]."""
    told = odds_of_hazard(np.repeat(np.exp(log_hazard)[:, None], STEPS, axis=1))
    return np.repeat(told[:, :, None], copies, axis=2)


def test_calibration_straightens_forecasts_that_are_too_bold_and_too_low():
    truth = np.random.default_rng(2).normal(-7.0, 1.0, 40_000)
    fitted, log_odds = calibrated(1.6 * truth + 3.0, truth)
    assert fitted.log_hazard(log_odds)[:, 0] == pytest.approx(truth, abs=0.35)
    assert (fitted.variance(log_odds[:50]) > 0).all()


def test_with_hardly_a_fault_candidates_keep_equal_shares_and_their_level():
    told = np.random.default_rng(4).normal(-8.0, 1.0, 40)
    log_odds = odds_told(told)
    days, faults = np.tile(DAYS, (40, 1)), np.zeros((40, STEPS))
    faults[np.argmax(told), 3] = 1.0
    fitted = stack(log_odds, days, faults, np.arange(40), steady=-14.0, distinct=1)
    assert fitted.log_hazard(log_odds)[:, 0] == pytest.approx(told, abs=0.7)
    assert fitted.weights[0] == pytest.approx(fitted.weights[1])
    assert fitted.weights.sum() == pytest.approx(1.0, abs=0.25)


@pytest.fixture(scope="module")
def later():
    """Sixty rows of twenty vehicles that two unlike candidates told: log odds, days, faults, vehicle."""
    rng = np.random.default_rng(11)
    truth = rng.normal(-6.0, 1.0, 60)
    life = rng.exponential(np.exp(-truth))[:, None]
    begins = ENDS - DAYS
    days, faults = np.clip(life - begins, 0, DAYS), ((life > begins) & (life <= ENDS)).astype(float)
    log_odds = odds_told(truth)
    log_odds[:, :, 1] = odds_told(0.5 * truth - 2.0 + rng.normal(0, 0.5, 60))[:, :, 0]
    return log_odds, days, faults, np.arange(60) % 20


def test_no_other_line_is_likelier_beside_the_prior(later):
    log_odds, days, faults, vehicle = later
    fitted = stack(log_odds, days, faults, vehicle, steady=-9.0, distinct=faults.sum())

    def loss(line):
        hazard = np.exp(Stack(centre=fitted.centre, line=line, covariance=fitted.covariance).log_hazard(log_odds))
        away, equal = line[:3] - [-9.0, 0.0, 0.0], line[3:] - 0.5
        prior = BELIEF_IN_LEVEL * (away**2).sum() + BELIEF_IN_SHARES * ((equal - equal.mean()) ** 2).sum()
        return (days * hazard - faults * np.log(hazard)).sum() + 0.5 * (prior + BELIEF_IN_SLOPE * equal.sum() ** 2 / 2)

    rng = np.random.default_rng(12)
    others = fitted.line + rng.normal(0, 0.05, (200, 5))
    others[:, 3:] = np.maximum(others[:, 3:], 0.0)
    assert min(map(loss, others)) > loss(fitted.line)
    assert (fitted.weights > 0).all()
    assert fitted.weights[0] != pytest.approx(fitted.weights[1], abs=0.05)
    assert fitted.weights[0] - fitted.weights[1] < 1.5


def test_a_vehicles_rows_count_as_one_however_they_are_cut(later):
    log_odds, days, faults, vehicle = later
    whole = stack(log_odds, days, faults, vehicle, steady=-9.0, distinct=faults.sum())
    cut = [np.concatenate([part, part]) for part in (log_odds, days / 2, faults / 2, vehicle)]
    again = stack(*cut, steady=-9.0, distinct=faults.sum())
    assert again.covariance == pytest.approx(whole.covariance, rel=1e-3)


def test_a_bend_raises_the_later_steps_and_lowers_the_sooner_ones():
    line = np.array([-60.0, 0.0, 1.0, 1.0])
    bent = Stack(centre=0.0, line=line, covariance=np.zeros((4, 4))).log_hazard(np.full((1, STEPS, 1), -6.0))
    assert bent[0] == pytest.approx(np.log(hazard_of_odds(BEND - 6.0)[0]), rel=1e-9)


def test_a_candidate_that_knows_nothing_loses_its_share():
    rng = np.random.default_rng(7)
    truth = rng.normal(-6.5, 1.0, 20_000)
    log_odds = odds_told(truth)
    log_odds[:, :, 1] = odds_told(rng.normal(-6.5, 1.0, 20_000))[:, :, 0]
    life = rng.exponential(np.exp(-truth))[:, None]
    begins = ENDS - DAYS
    days, faults = np.clip(life - begins, 0, DAYS), ((life > begins) & (life <= ENDS)).astype(float)
    fitted = stack(log_odds, days, faults, np.arange(20_000), steady=-14.0, distinct=faults.sum())
    assert fitted.weights == pytest.approx([1.0, 0.0], abs=0.1)


def test_the_direction_of_failing_is_found_and_each_vehicle_is_judged_by_that_of_the_others():
    rng = np.random.default_rng(4)
    fault = (rng.random(3000) < 0.1).astype(float)
    fold = np.arange(3000) % 60 % FOLDS
    deviations = (rng.normal(size=(3000, 12)) + np.outer(fault, np.r_[1.5, -1.5, np.zeros(10)])).astype(np.float32)
    direction = learn_direction(deviations, fault, np.ones(3000), faults=100)
    assert set(np.argsort(-np.abs(direction))[:2]) == {0, 1}
    assert direction[0] > 0 > direction[1]
    directions = learn_directions(deviations, fault, np.ones(3000), fold, faults=100)
    assert auc(along(directions, deviations, fold), fault, np.ones(3000)) > 0.9
    noise = rng.normal(size=(3000, 12)).astype(np.float32)
    directions = learn_directions(noise, fault, np.ones(3000), fold, faults=100)
    assert auc(along(directions, noise, fold), fault, np.ones(3000)) == pytest.approx(0.5, abs=0.08)
