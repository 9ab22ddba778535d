"""When an alarm is raised and when it ends, compiled and as plain Python."""

import numpy as np
import pytest

from pipelines.drift import alarm_rules

THRESHOLD, SIGMA = 10.0, 2.0


@pytest.fixture(params=["compiled", "plain"])
def kernel(request):
    """Function: name -> the kernel, as it is compiled or as Python reads it."""

    def get(name):
        found = getattr(alarm_rules, name)
        return found if request.param == "compiled" else found.py_func

    return get


def alarm_of(*, on=False, peak=0.0):
    alarm = np.zeros(1, dtype=alarm_rules.ALARM).view(np.recarray)[0]
    alarm.on, alarm.peak, alarm.side = on, peak, 1.0
    return alarm


def test_a_change_is_trusted_by_half_at_half_the_threshold(kernel):
    assert [kernel("trust")(e, THRESHOLD) for e in (0.0, 5.0, 15.0)] == pytest.approx([0.0067, 0.5, 0.99995], abs=1e-4)


@pytest.mark.parametrize(
    ("evidence", "away", "direction", "rises"),
    [(10.1, 3.0, 1.0, True), (10.1, -3.0, -1.0, True), (10.1, -3.0, 1.0, False), (10.0, 3.0, 1.0, False)],
)
def test_evidence_beyond_the_threshold_asks_for_an_alarm_on_its_own_side(kernel, evidence, away, direction, rises):
    assert kernel("may_rise")(alarm_of(), evidence, THRESHOLD, away, direction) == rises
    assert not kernel("may_rise")(alarm_of(on=True), evidence, THRESHOLD, away, direction)


def test_an_alarm_that_is_raised_knows_its_day_side_and_size(kernel):
    alarm = alarm_of()
    kernel("rise")(alarm, -3.0, -4.5, SIGMA, 77.0)
    assert (alarm.on, alarm.peak, alarm.side, alarm.since) == (True, 3.0, -4.5, 77.0)


def test_what_is_no_larger_than_the_noise_is_no_alarm(kernel):
    alarm = alarm_of()
    kernel("rise")(alarm, 1.4, 1.0, SIGMA, 77.0)
    assert not alarm.on


@pytest.mark.parametrize(
    ("apart", "away", "evidence", "end"),
    [
        (9.0, 5.0, 12.0, "STANDS"),
        (1.0, 5.0, 12.0, "RETURNS"),
        (3.0, 5.0, 12.0, "RETURNS"),
        (9.0, 3.0, 12.0, "RETURNS"),
        (4.0, 5.0, 12.0, "STANDS"),
        (9.0, 5.0, 8.9, "FADES"),
    ],
)
def test_an_alarm_ends_at_the_third_reading_in_a_row_that_is_back_or_has_no_evidence(
    kernel, apart, away, evidence, end
):
    alarm = alarm_of(on=True, peak=10.0)
    said = [kernel("stand")(alarm, away, apart, evidence, THRESHOLD, SIGMA, False) for _ in range(3)]
    assert said == [alarm_rules.STANDS, alarm_rules.STANDS, getattr(alarm_rules, end)]
    assert alarm.on == (end == "STANDS")


@pytest.mark.parametrize(("peak", "end"), [(8.9, "FADES"), (9.1, "STANDS")])
def test_a_small_change_without_evidence_inside_the_band_is_over_at_once(kernel, peak, end):
    alarm = alarm_of(on=True, peak=peak)  # 4.5 sigmas of 2
    assert kernel("stand")(alarm, 5.0, 9.0, 8.9, THRESHOLD, SIGMA, False) == getattr(alarm_rules, end)


def test_one_reading_away_begins_the_count_anew(kernel):
    alarm = alarm_of(on=True, peak=10.0)
    for apart in (1.0, 1.0, 9.0, 1.0, 1.0):
        kernel("stand")(alarm, 5.0, apart, 12.0, THRESHOLD, SIGMA, False)
    assert alarm.on


@pytest.mark.parametrize(("apart", "end"), [(5.9, "RETURNS"), (6.1, "STANDS")])
def test_after_work_the_first_reading_that_is_back_ends_it(kernel, apart, end):
    alarm = alarm_of(on=True, peak=10.0)
    assert kernel("stand")(alarm, 5.0, apart, 12.0, THRESHOLD, SIGMA, True) == getattr(alarm_rules, end)


def test_evidence_that_is_gone_ends_no_alarm_whose_level_is_outside_the_band(kernel):
    alarm = alarm_of(on=True, peak=10.0)
    said = [kernel("stand")(alarm, 7.0, 9.0, 1.0, THRESHOLD, SIGMA, False) for _ in range(5)]
    assert said == [alarm_rules.STANDS] * 5


@pytest.mark.parametrize(("apart", "stands"), [(9.0, True), (4.0, True), (3.0, False), (-9.0, False), (np.nan, False)])
def test_an_epochs_end_ends_an_alarm_only_if_the_reading_after_it_is_back(kernel, apart, stands):
    alarm = alarm_of(on=True, peak=10.0)
    alarm.quiet = 2
    kernel("go_on")(alarm, apart, SIGMA)
    assert (alarm.on, alarm.quiet) == (stands, 0)
    off = alarm_of(peak=10.0)
    kernel("go_on")(off, apart, SIGMA)
    assert not off.on
