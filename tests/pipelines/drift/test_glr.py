"""The sequential test against closed forms: generalised least squares, two samples, and readings at any spacing."""

import numpy as np
import pytest

from pipelines.bands.normal import NOISE, SCORES
from pipelines.drift.carry_over import MOVED
from pipelines.drift.onset_bank import empty_bank
from pipelines.drift.readings import run_filter
from pipelines.drift.series import STEP, Healthy, Output, Rows, blank_series


def run(
    values, day, *, memory_days, wander=0.0, offset_sd=1e4, learn_hours=0.0, epoch=None, threshold=9.0, step=0.0, **seen
):
    n = len(values)
    day = np.asarray(day, dtype=float)
    rows = Rows(
        value=np.asarray(values, dtype=np.float32), base=np.zeros(n), base_var=np.zeros(n), scale=np.ones(n),
        epoch=np.zeros(n, dtype=np.int32) if epoch is None else epoch, change=np.full(n, -1, dtype=np.int32),
        moved=np.full(n, np.array((0.0, 0.0, offset_sd**2 / 4), dtype=MOVED)), day=day, hours=day * 1.5,
        block=np.zeros(n, dtype=np.int32), jumps=seen.pop("jumps", np.zeros(n)),
        **({name: np.zeros(n, dtype=np.bool_) for name in ("coded", "worked", "joined", "stood")} | seen),
    )  # fmt: skip
    noise = np.array([(1.0, memory_days, 0.0, wander, offset_sd, 0.0, 0.0)], dtype=NOISE)
    healthy = Healthy(noise, SCORES[None, :] * 1.0, np.array([threshold]), learn_hours, np.nan, np.nan, step)
    numbers, flags = np.full((5, n), np.nan, dtype=np.float32), np.zeros((2, n), dtype=bool)
    output, trace = Output(*numbers, *flags), np.zeros(n, dtype=STEP)
    run_filter(
        rows, healthy, first=np.array([0]), last=np.array([n]), series=blank_series(1), onsets=empty_bank(0),
        output=output, trace=trace,
    )  # fmt: skip
    return output._asdict(), trace


def test_the_level_is_known_as_well_as_least_squares_knows_it():
    """Memory 0.5 a reading, 26 readings: variance 0.10714; a reading long after shows it beside the noise's own 1."""
    day = np.append(np.arange(26) * 7.0, 1e6)
    _, trace = run(np.zeros(27), day, memory_days=-7 / np.log(0.5))
    assert trace["sd"][-1] ** 2 - 1 == pytest.approx(0.10714, abs=2e-5)


def test_without_memory_and_with_a_flat_level_the_best_step_is_the_two_sample_z():
    values = np.array([0.0] * 6 + [1.0] * 6)
    out, _ = run(values, np.arange(12) * 7.0, memory_days=1e-3)
    assert out["evidence"][-1] == pytest.approx(1 / (1 / 6 + 1 / 6) / 2, rel=1e-3)


def test_evidence_equals_generalised_least_squares_on_irregular_times():
    rng = np.random.default_rng(2)
    day = np.cumsum(rng.uniform(1, 20, 15))
    values = (rng.normal(0, 0.5, 15)).astype(np.float32).astype(float)
    out, _ = run(values, day, memory_days=12.0, offset_sd=3.0)
    cov = np.exp(-np.abs(day[:, None] - day[None, :]) / 12.0) + 9.0
    inverse = np.linalg.inv(cov)
    best = 0.0
    for k in range(14):
        for shape in ((day > day[k]) * 1.0, np.maximum(day - day[k], 0)):
            best = max(best, (shape @ inverse @ values) ** 2 / (shape @ inverse @ shape))
    # 15 onsets are few enough that thinning may drop the very best, never more than its neighbours explain
    assert 0.9 * best / 2 <= out["evidence"][-1] <= best / 2 + 1e-4


def test_readings_that_lie_within_one_step_raise_no_alarm_and_beyond_it_they_do():
    """However far apart in sigmas: all may round one value."""
    values = np.array([0.0] * 8 + [8.0] * 8)
    for step, alarms in ((8.0, False), (4.0, True), (0.0, True)):
        out, _ = run(values, np.arange(16) * 7.0, memory_days=1.0, step=step)
        assert out["alarm"].any() == alarms


def test_both_directions_are_alike():
    rng = np.random.default_rng(3)
    values, day = rng.normal(0, 1, 60) + np.maximum(np.arange(60) - 30, 0) * 0.2, np.arange(60) * 7.0
    up, _ = run(values, day, memory_days=10.0)
    down, _ = run(-values, day, memory_days=10.0)
    np.testing.assert_allclose(up["evidence"], down["evidence"], rtol=1e-5)
    np.testing.assert_array_equal(up["alarm"], down["alarm"])
    assert up["alarm"][-1]


def test_unwinding_to_a_new_normal_raises_no_alarm_and_is_called_relearning():
    """A part replaced without a reset: the correction is left 8 sigmas off and unwinds over weeks."""
    rng = np.random.default_rng(4)
    day = np.arange(80) * 7.0
    epoch = (day > 250).astype(np.int32)
    values = rng.normal(0, 0.7, 80) + 8 * (day > 250) * np.exp(-(day - 250) / 20)
    out, _ = run(values, day, memory_days=3.0, epoch=epoch, learn_hours=30.0, offset_sd=1.0)
    assert not out["alarm"].any()
    assert out["relearning"][np.argmax(epoch)]
    assert not out["relearning"][-1]
    stays, _ = run(values, day, memory_days=3.0, learn_hours=30.0, offset_sd=1.0)
    assert stays["alarm"].any()  # without the epoch it would have been one


def test_a_reset_without_a_repair_alarms_for_what_goes_on_after_it():
    rng = np.random.default_rng(5)
    day = np.arange(80) * 7.0
    epoch = (day > 250).astype(np.int32)
    values = rng.normal(0, 0.7, 80) + 8 * (day > 250) * (1 - np.exp(-(day - 250) / 20))
    out, _ = run(values, day, memory_days=3.0, epoch=epoch, learn_hours=5.0, offset_sd=1.0)
    assert out["alarm"][-1]
    assert not out["alarm"][: np.argmax(epoch) + 2].any()


def test_a_fault_that_a_new_epoch_left_standing_is_seen():
    """The value never came back, so no change follows the epoch: the level itself is compared with the old normal."""
    rng = np.random.default_rng(6)
    day = np.arange(80) * 7.0
    epoch = (day > 330).astype(np.int32)
    values = rng.normal(0, 0.7, 80) + 8 * (day > 300)
    out, _ = run(values, day, memory_days=3.0, epoch=epoch, offset_sd=1.0)
    assert out["alarm"][-1]


@pytest.mark.parametrize(("level", "alarms"), [(-3.0, False), (-8.0, True)])
def test_what_a_new_epoch_brought_past_the_centre_may_stand_where_vehicles_do(level, alarms):
    """A part was mended: the level is a new one, as likely on one side of the centre as on the other."""
    rng = np.random.default_rng(8)
    epoch = (np.arange(80) >= 40).astype(np.int32)
    values = np.where(epoch == 0, 2.5, level) + rng.normal(0, 0.5, 80)
    out, _ = run(values, np.arange(80) * 7.0, memory_days=1.0, epoch=epoch, offset_sd=1.2)
    assert out["alarm"].any() == alarms


def test_noise_with_heavy_rounding_alone_raises_no_alarm():
    values = np.round(np.random.default_rng(7).normal(0, 1, 200))
    out, _ = run(values, np.arange(200) * 7.0, memory_days=3.0)
    assert not out["alarm"].any()


@pytest.mark.parametrize("home", [True, False])
def test_the_way_home_from_a_wrong_start_of_an_epoch_is_no_departure_and_a_way_elsewhere_is(home):
    rng = np.random.default_rng(4)
    day = np.arange(80) * 7.0
    epoch = (np.arange(80) >= 40).astype(np.int32)
    way = np.where((day > 40 * 7) & (day < 50 * 7), -5.0, 0.0)  # what relearns later than its hours say
    values = 4 + rng.normal(0, 1, 80) + (way if home else np.where(day >= 50 * 7, -6.0, 0.0))
    out, _ = run(values, day, memory_days=1.0, offset_sd=2.0, learn_hours=12.0, epoch=epoch)
    assert out["alarm"].any() == (not home)


def test_an_alarm_stands_through_an_epoch_that_mends_nothing():
    rng = np.random.default_rng(6)
    day = np.arange(80) * 7.0
    epoch = (day > 400).astype(np.int32)
    values = rng.normal(0, 0.7, 80) + 8 * (day > 300)
    out, _ = run(values, day, memory_days=3.0, epoch=epoch, learn_hours=10.0, offset_sd=1.0)
    assert out["alarm"][48:].all()
    np.testing.assert_allclose(out["expected"][60:], 0.0, atol=1.0)


def test_a_large_step_alarms_at_the_reading_that_bears_it_out_and_a_single_one_never():
    values, day = np.random.default_rng(9).normal(0, 1, 60), np.arange(60) * 7.0
    once, twice = values.copy(), values.copy()
    once[40] += 30
    twice[40:42] += 30
    assert not run(once, day, memory_days=5.0)[0]["alarm"].any()
    out, _ = run(twice, day, memory_days=5.0)
    assert np.flatnonzero(out["alarm"])[0] == 41
    waits, healthy = run(once, day, memory_days=5.0)[0], run(values, day, memory_days=5.0)[0]
    assert waits["evidence"][40] == healthy["evidence"][39]


@pytest.mark.parametrize("explained", ["jumps", "worked"])
def test_a_large_step_alarms_at_once_where_others_jump_with_it_or_a_hand_was_on_it(explained):
    values, day = np.random.default_rng(9).normal(0, 1, 60) + 30 * (np.arange(60) >= 40), np.arange(60) * 7.0
    kind = float if explained == "jumps" else bool
    seen = (2 * (np.arange(60) == 40)).astype(kind)
    out, _ = run(values, day, memory_days=5.0, offset_sd=2.0, **{explained: seen})
    assert np.flatnonzero(out["alarm"])[0] == 40


def test_a_large_step_that_the_module_reports_again_unmoved_was_no_misread():
    values, day = np.random.default_rng(9).normal(0, 1, 60), np.arange(60) * 7.0
    values[40] += 30
    values[41:44] = np.nan
    stood = np.isin(np.arange(60), (41, 42))
    out, _ = run(values, day, memory_days=5.0, offset_sd=2.0, stood=stood)
    assert np.flatnonzero(out["alarm"])[0] == 41
    assert not run(values, day, memory_days=5.0, offset_sd=2.0)[0]["alarm"].any()


def test_the_first_reading_after_a_repair_that_is_back_ends_the_alarm_and_is_the_level():
    rng = np.random.default_rng(6)
    day, week = np.arange(80) * 7.0, np.arange(80)
    values = rng.normal(0, 0.7, 80) + 20 * ((week >= 40) & (week < 60))
    worked = week == 60
    out, _ = run(values, day, memory_days=3.0, offset_sd=2.0, worked=worked)
    assert out["alarm"][45:60].all()
    assert not out["alarm"][60:].any()
    assert abs(out["deviation"][60]) < 3
    untold, _ = run(values, day, memory_days=3.0, offset_sd=2.0)
    assert untold["alarm"][60]
    assert untold["deviation"][60] > 10
    in_vain, _ = run(values + 20 * (week >= 60), day, memory_days=3.0, offset_sd=2.0, worked=worked)
    assert in_vain["alarm"][45:].all()


def test_what_drifted_too_slowly_for_an_alarm_is_told_once_no_healthy_engine_reads_it():
    """Far beyond the others, in an epoch after the first: by what is known of all now."""
    day, week = np.arange(200) * 7.0, np.arange(200)
    values = np.random.default_rng(2).normal(0, 1, 200) + 30 * week / 200
    epoch = (week >= 30).astype(np.int32)
    out, _ = run(values, day, memory_days=3.0, offset_sd=2.0, wander=0.05, threshold=60.0, epoch=epoch)
    assert np.flatnonzero(out["alarm"])[0] == pytest.approx(6 * np.sqrt(5) / 30 * 200, abs=12)
    assert out["alarm"][120:].all()


def test_what_read_its_default_after_a_reset_and_learned_at_once_is_where_it_reads_now():
    """Twenty sigmas off in the first reading of an epoch, back in the second: nothing strays."""
    epoch = (np.arange(24) >= 16).astype(np.int32)
    values = np.where(np.arange(24) == 16, 20.0, np.random.default_rng(3).normal(0, 0.5, 24))
    out, _ = run(values, np.arange(24) * 7.0, memory_days=3.0, offset_sd=3.0, learn_hours=0.2, epoch=epoch)
    assert not out["alarm"].any()
    assert np.abs(out["expected"] + out["deviation"] - values)[17:].max() < 2.5
