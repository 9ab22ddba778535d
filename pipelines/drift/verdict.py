"""What a reading says of a series: what is expected, how clearly it strays from that, and what becomes of its alarm.

Compiled. The best onset, what was known before the epoch, and what is known of all vehicles each have a say.
"""

import numba
import numpy as np

from pipelines.bands.normal import LEAST_SETTLED
from pipelines.drift.alarm_rules import BAND_SIGMAS, FADES, PATIENCE, STANDS, may_rise, rise, stand, trust
from pipelines.drift.carry_over import beyond, departure, is_home, on_the_way, shorten, was_ill
from pipelines.drift.harm import is_far, is_harmless, is_near_again, levelled_off, way_used
from pipelines.drift.level_filter import begin

WITHIN = 1.001  # steps within which readings may be of one value, with room for single precision; numerical
LEAST_OWN = 0.5  # share of the threshold that a change which others bear out needs alone: even odds; derived, `trust`
REGAINED = 0.25  # variance that a level gains when its alarm is over, as a share of that between vehicles; judgement


@numba.njit(cache=True, nogil=True, error_model="numpy")
def judge(s, best, reading, terms):  # type: ignore[no-untyped-def]
    """What is expected, how clearly it strays from that, and what this does to the alarm."""
    verdict, alarm = s.verdict, s.alarm
    threshold = LEAST_OWN * terms.threshold if terms.joined else terms.threshold
    before = verdict.baseline
    if s.relearning.on:
        shorten(s.relearning, s.level.smoothed, terms.learn_hours, terms.sigma)
    settled = s.seen >= LEAST_SETTLED and not s.relearning.on
    by_onset(verdict, best, s.level, threshold, s.most - s.least > WITHIN * terms.step)
    beyond_all = False
    if not np.isnan(s.carried.level):
        beyond_all = by_what_was_carried(s, terms, settled)
    if alarm.on and (s.worked or verdict.direction * alarm.side < 0):
        verdict.baseline, verdict.slope = before, 0.0  # the way back is no new departure
    if is_beyond_health(s, terms):
        verdict.deviation = stay_beyond_health(s, reading.x, terms)
        return
    if settled and (alarm.on or verdict.evidence > threshold) and recovered(s, reading.x, terms):
        start_in_health(s, reading.x, terms)
    away = s.level.smoothed - verdict.baseline
    if alarm.on:
        apart = reading.x - verdict.baseline
        change = stand(alarm, away, apart, verdict.evidence, threshold, terms.sigma, s.worked)
        away = end(s, reading.x, away, change, terms)
        if alarm.on and settled and levelled_off(best, s.seen, reading.day):
            away = hold_as_normal(s, reading.x, away, best, terms)
    elif (settled or beyond_all) and may_rise(alarm, verdict.evidence, threshold, away, verdict.direction):
        rise(alarm, away, verdict.direction, terms.sigma, reading.day)
        s.changed.day = np.nan
    if settled and not alarm.on:  # what no evidence bears out is noise: the level does not follow it out of the band
        away = min(max(away, -BAND_SIGMAS * terms.sigma), BAND_SIGMAS * terms.sigma)
    verdict.deviation = away


@numba.njit(cache=True, nogil=True, error_model="numpy")
def is_beyond_health(s, terms):  # type: ignore[no-untyped-def]
    """Whether a level is where no healthy engine is, by what is known of all now, however it came there."""
    if s.alarm.on:
        return s.alarm.far
    if s.relearning.on:
        return False
    level = s.level.smoothed - terms.moved.shift
    variance = terms.spread_var + terms.noise_var + terms.moved.shift_var
    return is_far(level, variance, way_used(s.level.smoothed, terms.low, terms.high), terms.threshold)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def stay_beyond_health(s, x, terms):  # type: ignore[no-untyped-def]
    """Raise or hold the alarm of a level beyond health; its deviation, from what is expected of all.

    It ends when the level is where healthy engines are, for `PATIENCE` readings, or at the first after work on it: what
    it reads then is its normal.
    """
    alarm, verdict = s.alarm, s.verdict
    level = s.level.smoothed - terms.moved.shift
    variance = terms.spread_var + terms.noise_var + terms.moved.shift_var
    if not alarm.on:
        rise(alarm, level, level, terms.sigma, s.read_day)
        alarm.far = True
        s.changed.day = np.nan
    alarm.quiet = alarm.quiet + 1 if is_near_again(x - terms.moved.shift, variance) else 0
    if alarm.quiet >= (1 if s.worked else PATIENCE):
        start_in_health(s, x, terms)
        return 0.0
    verdict.baseline, verdict.baseline_var = terms.moved.shift, terms.spread_var + terms.moved.shift_var
    verdict.evidence = max(level * level / variance / 2, terms.threshold * (1 + 1e-6))
    verdict.direction = level
    return level


@numba.njit(cache=True, nogil=True, error_model="numpy")
def hold_as_normal(s, x, away, best, terms):  # type: ignore[no-untyped-def]
    """Take a step that has levelled off and does no harm for the new normal; the deviation from what is expected then.

    Its size is read off the smoothed level: the filter's scores are cut, and so is what they say of a size.
    """
    level = s.level.smoothed
    used = way_used(level, terms.low, terms.high)
    spread_sd = np.sqrt(terms.spread_var + terms.moved.shift_var)
    if terms.coded or not is_harmless(away, level - terms.moved.shift, terms.sigma, spread_sd, used):
        return away
    s.alarm.on = False
    s.onsets = 0
    s.carried.level = np.nan
    s.changed.day, s.changed.size = best.step_day, away
    begin(s.level, level, x - level, level, terms.noise_var, terms.noise_var)
    s.verdict.baseline, s.verdict.baseline_var = level, terms.noise_var
    s.verdict.evidence, s.verdict.slope = 0.0, 0.0
    return 0.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def by_onset(verdict, best, level, threshold, apart):  # type: ignore[no-untyped-def]
    """Expect what the level filter knows, without what the best onset has brought, as far as that is trusted.

    Unless readings lie `apart` by more than a step, all may round one value: what they say raises no alarm.
    """
    verdict.evidence = best.z2 / 2 if apart else min(best.z2 / 2, threshold)
    trusted = trust(verdict.evidence, threshold)
    size = best.score / best.weight if best.weight > 0 else 0.0
    verdict.baseline = level.level - trusted * size * best.level
    verdict.baseline_var = level.level_var
    if best.weight > 0:
        verdict.baseline_var += (trusted * best.level) ** 2 / best.weight
    verdict.slope = trusted * size * best.is_ramp
    verdict.direction = best.score


@numba.njit(cache=True, nogil=True, error_model="numpy")
def by_what_was_carried(s, terms, settled):  # type: ignore[no-untyped-def]
    """Expect what was known before the epoch where the level stands clearer apart from that than from any onset.

    True: it lies beyond all that relearning may pass, which is an alarm at once.
    """
    verdict, level_var, threshold = s.verdict, s.level.level_var, terms.threshold
    gone = departure(s.carried, s.level.level, level_var, terms.moved, terms.spread_var)
    evidence = gone.size * gone.size / gone.variance / 2
    if not settled:  # what was known before holds, as far as what was read since does not say otherwise
        doubt = 1.0 if gone.size * s.carried.side > 0 else trust(evidence, threshold)
        verdict.baseline = s.level.level - gone.size * max(level_var / gone.variance, doubt)
        if not s.alarm.on:
            verdict.baseline = on_the_way(s.relearning, verdict.baseline, terms.learn_hours)
        started = s.relearning.on or s.seen < PATIENCE  # where it began may still be on the way
        off = beyond(s.relearning, s.carried, terms.moved, s.level.level, started)
        beyond_var = s.carried.variance + terms.spread_var + terms.noise_var + terms.moved.shift_var
        outside = off * verdict.direction > 0 and abs(off) > BAND_SIGMAS * terms.sigma
        if outside and verdict.evidence > threshold:  # a change of its own, away from where relearning leads
            return True
        if off * off / beyond_var / 2 > threshold:
            verdict.evidence, verdict.direction, verdict.slope = off * off / beyond_var / 2, off, 0.0
            return True
    elif evidence > verdict.evidence:
        trusted = trust(evidence, threshold)
        verdict.evidence, verdict.direction, verdict.slope = evidence, gone.size, 0.0
        verdict.baseline = s.level.level - gone.size * trusted
        verdict.baseline_var = (1 - trusted) ** 2 * level_var + trusted**2 * (gone.variance - level_var)
        if gone.size * s.carried.side > 0 and evidence > threshold / 2:
            verdict.evidence = max(evidence, threshold * (1 + 1e-6))  # the defect of before the reset, back again
    return False


@numba.njit(cache=True, nogil=True, error_model="numpy")
def recovered(s, x, terms):  # type: ignore[no-untyped-def]
    """Whether what was taken for its normal was none: it is back at the centre, or where it was before the epoch."""
    if was_ill(s.verdict.baseline, x, s.level.smoothed, terms.noise.offset_sd):
        return True
    if np.isnan(s.carried.level) or s.carried.changes > 1 or s.alarm.on:
        return False
    return is_home(s.carried, terms.moved, s.verdict.baseline, x, s.level.smoothed, terms.sigma**2)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def start_in_health(s, x, terms):  # type: ignore[no-untyped-def]
    """Take the reading x for the first of a healthy correction."""
    s.alarm.on = s.alarm.far = False
    s.onsets = 0
    s.carried.level = np.nan
    s.seen = 1
    begin(s.level, x, 0.0, x, terms.spread_var, terms.noise_var)
    s.verdict.baseline, s.verdict.evidence, s.verdict.slope = x, 0.0, 0.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def end(s, x, away, change, terms):  # type: ignore[no-untyped-def]
    """End the alarm if its `change` says so; smoothed level minus what is expected then."""
    if change == STANDS:
        return away
    s.onsets = 0
    s.carried.level = np.nan
    if change == FADES:
        s.level.level_var += terms.spread_var
        return away
    if s.worked:  # as at an epoch's end: what was mended needs less to be ill again
        s.carried.level, s.carried.variance = s.verdict.baseline, s.verdict.baseline_var + terms.moved.gained_var
        s.carried.side, s.carried.changes = s.alarm.side, 0
    s.verdict.evidence, s.verdict.slope = 0.0, 0.0
    apart = x - s.verdict.baseline
    begin(s.level, x, apart, s.verdict.baseline, s.level.level_var + REGAINED * terms.spread_var, terms.noise_var)
    return apart
