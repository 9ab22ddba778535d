"""What is put out of an alarm: how it grows, learned from the alarms that stand, and its dates. A second."""

from dataclasses import replace

import numpy as np
import pytest

from pipelines.drift import limit_dates
from pipelines.drift.growth_laws import LAW_OF, LAWS, PHASES, ROW_OF, STEP_DAYS, TABLE, WARMEST
from pipelines.drift.limit_dates import posterior
from pipelines.drift.onset_posterior import OpenAlarm, _answer, learned_shares
from pipelines.drift.series import NO_TRACE, STEP

DAY = np.arange(40) * 7.0
MEMORY = 0.5
ROOM = np.array([np.nan, 25.0])


def trace_of(change, rng, excess=1.0):
    """Steps of a filter whose level is known to be 0 and whose noise, of sd 1, has this memory between readings."""
    steps = np.zeros(len(change), dtype=STEP)
    steps["noise_gain"], steps["sd"], steps["memory"] = 1.0, np.sqrt(1 - MEMORY**2), MEMORY
    moved = np.diff(change, prepend=0.0) + (1 - MEMORY) * np.append(0.0, change[:-1])
    noise = rng.standard_normal(len(change)) * np.where(change == 0, 1.0, np.sqrt(excess))
    steps["score"] = moved / steps["sd"] + noise
    return steps


def open_alarms(growth, count=40):
    rng = np.random.default_rng(3)
    for vehicle in range(count):
        since = np.maximum(DAY - rng.uniform(60, 120), 0)
        yield OpenAlarm(
            family="A", correction=0, vehicle=vehicle, alarm_at=200.0, far=False, sigma=1.0, room=ROOM,
            trace=trace_of(growth(since / 30), rng), day=DAY, since=(NO_TRACE, DAY), way=(DAY, DAY * 50),
        )  # fmt: skip


@pytest.mark.parametrize(
    ("growth", "law"),
    [(lambda t: 3.0 * (t > 0), "step"), (lambda t: 1.5 * t, "steady"), (lambda t: 0.5 * t**2, "accelerating"),
     (lambda t: 8 * (1 - np.exp(-t)), "levelling")],
)  # fmt: skip
def test_how_a_fleets_alarms_grow_is_learned_from_them(growth, law):
    shares = np.exp(learned_shares(list(open_alarms(growth)))).sum(axis=1)
    assert shares.sum() == pytest.approx(1)
    assert shares[LAWS.index(law)] > 1 / len(LAWS) + 0.04
    assert LAWS[np.argmax(shares)] == law


def test_without_alarms_every_law_is_as_usual_as_another():
    np.testing.assert_allclose(np.exp(learned_shares([])).sum(axis=1), 1 / len(LAWS))


def test_a_straight_rise_meets_its_limit_where_it_does():
    since = np.maximum(DAY - 100, 0) / 30
    shares = learned_shares(list(open_alarms(lambda t: 2.0 * t)))
    trace = trace_of(2.0 * since, np.random.default_rng(4))
    low, at, high, rate, p10, p50, p90 = posterior(trace, DAY, 1.0, ROOM, shares)
    assert low <= 100 <= high
    assert abs(at - 100) < 21
    assert rate == pytest.approx(2.0, rel=0.25)
    assert p10 < 475 < p90  # 25 sigmas at 2 in 30 days, from day 100
    assert p50 == pytest.approx(475, abs=60)


def test_the_weight_of_a_change_is_its_likelihood_over_all_sizes_it_may_have():
    trace = trace_of(np.maximum(DAY - 100, 0) / 30, np.random.default_rng(4))
    found = limit_dates.weigh(trace, DAY, 1.5)
    told, precision, _ = limit_dates.respond(trace, DAY, found.onset, limit_dates.rows_of(DAY[found.onset]), TABLE)
    size, step = np.linspace(-200, 200, 400_001, retstep=True)
    for k, path in ((10, 0), (20, 1)):
        fit = (told[k, path] * size - 0.5 * precision[k, path] * size**2) / found.excess
        for s, sd in enumerate(1.5 * limit_dates.SCALES):
            over_sizes = np.exp(fit - 0.5 * (size / sd) ** 2).sum() * step / (sd * np.sqrt(2 * np.pi))
            assert found.log_weight[k, path, s] == pytest.approx(np.log(over_sizes), abs=1e-6)


def test_noise_meets_the_limit_before_the_level_does():
    path = int(np.flatnonzero(TABLE.grown[:, -1] > TABLE.grown[:, 60])[0])
    dates = [
        limit_dates.dates_of(
            np.array([path]), np.array([[1.0]]), np.zeros(1), np.array([np.nan, TABLE.grown[path, 60]]),
            np.array([50.0]), sigma, 10.0, np.array([0.5]), TABLE,
        )[0, 0]
        for sigma in (1e-9, 0.05 * TABLE.grown[path, 60])
    ]  # fmt: skip
    assert dates[0] == pytest.approx(60 * STEP_DAYS, abs=STEP_DAYS)
    assert 50.0 <= dates[1] < dates[0] - STEP_DAYS


def test_what_scatters_more_than_health_has_wider_dates():
    change = 2.0 * np.maximum(DAY - 100, 0) / 30
    shares = learned_shares([])
    calm, wild = (
        posterior(trace_of(change, np.random.default_rng(6), excess=excess), DAY, 1.0, ROOM, shares)
        for excess in (1.0, 9.0)
    )
    assert wild[4] < calm[4]  # the 10 % date; the 90 % one may be empty for both
    assert limit_dates.weigh(trace_of(change, np.random.default_rng(6), excess=9.0), DAY, 1.0).excess > 4


def test_a_change_that_has_levelled_off_is_not_expected_to_meet_a_far_limit():
    day = np.arange(80) * 7.0
    change = 6 * (1 - np.exp(-np.maximum(day - 100, 0) / 40))
    found = posterior(trace_of(change, np.random.default_rng(5)), day, 1.0, ROOM, learned_shares([]))
    assert np.isnan(found[5:]).all()
    assert abs(found[3]) < 0.5


def test_towards_a_side_that_never_faults_there_are_no_dates():
    change = -2.0 * np.maximum(DAY - 100, 0) / 30
    assert np.isnan(posterior(trace_of(change, np.random.default_rng(4)), DAY, 1.0, ROOM, learned_shares([]))[4:]).all()


def test_a_date_is_when_its_path_reaches_the_size():
    rows = np.arange(len(TABLE.grown))
    since = np.full(len(rows), 50.0)
    size = limit_dates.grown(rows, since + 200)
    for row in rows:
        path = TABLE.grown[row], TABLE.highest[row]
        found = limit_dates.days_until.py_func(*path, size[row], 50.0, STEP_DAYS)
        assert found <= 250 + 1e-6
        assert limit_dates.grown(np.array([row]), np.array([found]))[0] >= size[row] - 1e-9
        assert limit_dates.days_until.py_func(*path, path[1][-1] * 1.01, 50.0, STEP_DAYS) == np.inf


def test_growth_of_the_warm_half_stands_still_in_the_cold_one():
    grows = np.flatnonzero(LAWS.index("seasonal") == LAW_OF)[0]
    onset = np.array([WARMEST - 91, WARMEST + 91])  # April, October
    row = limit_dates.rows_of(onset)[:, grows]
    half = int(180 / STEP_DAYS)
    spring, autumn = TABLE.grown[row]
    assert spring[half] > 20 * autumn[half]
    assert autumn[2 * half] == pytest.approx(spring[half], rel=0.1)
    assert ROW_OF.shape == (PHASES, len(LAW_OF))


def test_noise_meets_a_limit_before_a_slow_level_does():
    left = limit_dates.left_when_met.py_func
    slow, fast = left(300.0, 5.0, 10.0, 0.5), left(10.0, 20.0, 10.0, 0.5)
    assert fast == 0.0
    # z phi(z) a time constant, summed up from z on, is phi(z) over the speed: survival is 1/2 where it is ln 2
    assert np.exp(-(slow**2) / 2) / np.sqrt(2 * np.pi) / (5.0 * 10 / 300) == pytest.approx(np.log(2))


def test_quantiles_are_those_of_the_weights():
    assert limit_dates.quantiles(np.array([3.0, 1.0, 2.0]), np.array([1.0, 6.0, 3.0]), (0.1, 0.65, 0.95)).tolist() == [
        1.0, 2.0, 3.0,
    ]  # fmt: skip


def test_long_ago_fewer_onsets_are_tried_and_each_stands_for_those_up_to_the_next():
    onset, stands_for = limit_dates.candidates(300)
    assert stands_for.sum() == 299
    assert stands_for[-48:].tolist() == [1] * 48
    assert onset[0] == 0
    assert len(onset) < 120
    assert (np.diff(onset) == stands_for[:-1]).all()


def test_the_onset_is_where_it_most_likely_was_not_halfway_between_two_explanations():
    """A step after the fortieth reading, with 0.3 of the weight, or growth from any of the twenty weeks before it."""
    day = np.arange(61.0) * 7
    weight = np.zeros(60)
    weight[20:40], weight[40] = 0.7 / 20, 0.3
    low, best, high = limit_dates.onsets(weight, day)
    assert day[20] < low < day[22]
    assert best == day[40] + 3.5
    assert high == pytest.approx(day[40] + 7 * 0.25 / 0.3)


def test_a_coarse_bin_of_onsets_is_no_likelier_for_its_width():
    """Two in three lie long ago, in a bin of a year; one in three in one week lately."""
    day = np.append(0.0, 365 + np.arange(50) * 7.0)
    weight = np.zeros(50)
    weight[0], weight[30] = 0.6, 0.4
    assert limit_dates.onsets(weight, day)[1] == day[30] + 3.5
    assert limit_dates.onsets(weight, np.append(day[:-1], day[-2]))[1] == day[30] + 3.5  # two readings at one time


@pytest.mark.parametrize("readings", [1, 40])
def test_one_reading_of_the_epoch_that_an_alarm_began_in_tells_no_onset(readings):
    alarm = next(iter(open_alarms(lambda t: 2.0 * t, count=1)))
    one = replace(
        alarm, since=(alarm.trace[:1], alarm.day[:1] - 70.0), trace=alarm.trace[:readings], day=DAY[:readings]
    )
    found = _answer(one, learned_shares([]))
    assert np.isnan(found[:3]).all()
    assert np.isfinite(found[3])
