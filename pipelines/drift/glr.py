"""The sequential test of one correction over all vehicles: arrays in, arrays out; a compiled kernel, no frames.

A level filter of the healthy reading and, on its innovations, the generalised likelihood ratio of steps and ramps of
every onset, in both directions. The level is part of the filter's state, so it is a nuisance of the test, not a
plugged-in mean; the times between readings may be any. What an epoch's end carries over is judged beside it.

Source: Willsky and Jones (1976), IEEE Transactions on Automatic Control 21(1), 108-112.
"""

import numba
import numpy as np

from pipelines.bands.normal import LEAST_SETTLED
from pipelines.drift.alarm_rules import BAND_SIGMAS, FADES, PATIENCE, STANDS, go_on, may_rise, rise, stand, trust
from pipelines.drift.carry_over import (
    HOURS_A_DAY,
    begin_relearning,
    beyond,
    departure,
    home_of,
    is_home,
    on_the_way,
    relearn,
    shorten,
    was_ill,
)
from pipelines.drift.harm import is_far, is_harmless, is_near_again, levelled_off, way_used
from pipelines.drift.level_filter import begin, compare, cut, normal_score, predict, update
from pipelines.drift.onset_bank import CANDIDATES, ONSET, fade, open_onset, thin, weigh
from pipelines.drift.series import Reading, Terms

WILD = 2.0  # a single innovation this many times beyond the last knot waits for the next reading to bear it out ...
BORNE_OUT = 0.5  # ... which it does on the same side, at least this share as far off: both judgement
REGAINED = 0.25  # variance that a level gains when its alarm is over, as a share of that between vehicles; judgement


@numba.njit(cache=True, nogil=True, error_model="numpy")
def run(rows, healthy, resumed, output, trace):  # type: ignore[no-untyped-def]
    """Fill what is put out of one correction; going on from what a run left gives what it gives in one go.

    Args:
        rows: `Rows`.
        healthy: `Healthy`.
        resumed: `Resumed`.
        output: `Output`.
        trace: [R] of `STEP`, filled; empty: not wanted. Where it is wanted, what strays is no longer judged by the
            healthy tail.

    Returns:
        How many of `onsets_after` are filled.
    """
    bank = np.zeros(CANDIDATES, dtype=ONSET)
    taken = left = before = 0
    for v in range(len(resumed.first)):
        s = resumed.series[v]
        taken = copy_onsets(resumed.onsets, taken, bank, 0, s.onsets)
        for r in range(resumed.first[v], resumed.last[v]):
            if not np.isnan(rows.value[r]):
                block = rows.block[r]
                noise = healthy.noise[block]
                sigma = noise.sigma * rows.scale[r]
                reading = Reading(
                    rows.value[r] - rows.base[r], rows.base[r], rows.base_var[r], rows.epoch[r], rows.change[r],
                    rows.day[r], rows.hours[r],
                )  # fmt: skip
                terms = Terms(
                    noise, sigma, noise.wander * max(rows.scale[r], 1.0) ** 2, sigma**2 + reading.base_var,
                    noise.offset_sd**2, rows.moved[r], healthy.threshold[block], healthy.learn_hours,
                    healthy.low - rows.base[r], healthy.high - rows.base[r], rows.coded[r],
                )  # fmt: skip
                take(s, bank, reading, terms, healthy.tails[block], trace[r : r + 1], trace[before : before + 1])
                before = r
            write_output(s, output, r)
        if len(resumed.onsets_after):
            copy_onsets(bank, 0, resumed.onsets_after, left, s.onsets)
            left += s.onsets
    return left


@numba.njit(cache=True, nogil=True, error_model="numpy")
def copy_onsets(source, begin, target, at, count):  # type: ignore[no-untyped-def]
    """Copy `count` onsets, one by one (a slice takes seconds to compile); the end of them in the source."""
    for j in range(count):
        target[at + j] = source[begin + j]
    return begin + count


@numba.njit(cache=True, nogil=True, error_model="numpy")
def take(s, bank, reading, terms, tail, step, step_before):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take one reading into a series and its bank of onsets, and judge it.

    Args:
        s: Of `SERIES`.
        bank: [CANDIDATES] of `ONSET`.
        reading: `Reading`.
        terms: `Terms`.
        tail: [8] innovations whose normal scores are `SCORES`.
        step: [1] of `STEP`, filled; empty: not wanted.
        step_before: The same of the reading that waits, if one does.
    """
    waited = not np.isnan(s.waiting)
    memory = 0.0
    if reading.epoch != s.epoch:
        begin_epoch(s, reading, terms)
    else:
        if waited and bears_out(s.level, s.waiting, reading.x):
            s.onsets = open_onset(bank, s.onsets, s.read_day, s.seen)
            innovation = compare(s.level, s.waiting, terms.noise.rounding)
            take_in(s, bank, s.waiting, innovation, tail, s.waited_memory, step_before)
            s.waited_memory = 1.0
        memory = pass_time(s, reading, terms)
        fade(bank, s.onsets, memory)
        s.onsets = open_onset(bank, s.onsets, s.read_day, s.seen)
    innovation = compare(s.level, reading.x, terms.noise.rounding)
    s.level.day, s.level.hours = reading.day, reading.hours
    s.waiting = np.nan
    if not waited and s.seen > 0 and abs(innovation.size / innovation.sd) > WILD * tail[-1]:
        s.onsets -= 1
        s.waiting, s.waited_memory = reading.x, memory
        return
    best = take_in(s, bank, reading.x, innovation, tail, memory * s.waited_memory, step)
    s.waited_memory = 1.0
    s.change = reading.change
    judge(s, best, reading, terms)
    s.verdict.expected = reading.base + s.verdict.baseline


@numba.njit(cache=True, nogil=True, error_model="numpy")
def take_in(s, bank, x, innovation, tail, memory, step):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take the reading x, of the level's day, into level and onsets; the `Best` onset."""
    u = innovation.size / innovation.sd
    score = cut(u) if len(step) else normal_score(u, tail)
    best = weigh(bank, s.onsets, innovation, score, s.level.day)
    update(s.level, x, innovation, score, cut(u))
    if len(step):
        note(step[0], innovation, score, memory, s.level.level)
    s.seen += 1
    s.onsets = thin(bank, s.onsets, s.seen)
    s.read_day = s.level.day
    return best


@numba.njit(cache=True, nogil=True, error_model="numpy")
def bears_out(level, waiting, x):  # type: ignore[no-untyped-def]
    """Whether the reading x stands where the one that waits did, far from what was expected of that."""
    first, second = waiting - level.level - level.noise, x - level.level - level.noise
    return first * second > 0 and abs(second) >= BORNE_OUT * abs(first)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def begin_epoch(s, reading, terms):  # type: ignore[no-untyped-def]
    """Start anew with the reading x; what the epoch that ends showed in health is carried over."""
    fresh = s.epoch >= 0
    if s.seen >= LEAST_SETTLED and not s.relearning.on:  # what the epoch showed; else what was known before it
        s.carried.level = s.verdict.baseline
        s.carried.variance = s.verdict.baseline_var
        s.carried.side = s.alarm.side if s.alarm.on else 0.0
        s.carried.changes = 0
    if fresh:
        s.carried.variance += terms.moved.gained_var + terms.wander * (reading.day - s.level.day)
        s.carried.changes += reading.change != s.change
    s.epoch = reading.epoch
    s.onsets = s.seen = 0
    s.waited_memory = 1.0
    go_on(s.alarm, reading.x - home_of(s.carried, terms.moved), terms.sigma)
    s.changed.day = np.nan
    amplitude = np.sqrt(reading.x * reading.x + terms.spread_var) if fresh and terms.learn_hours > 0 else 0.0
    begin_relearning(s.relearning, amplitude, reading.x, terms.sigma)
    begin(s.level, reading.x, 0.0, 0.0, terms.spread_var + amplitude * amplitude, terms.noise_var)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def pass_time(s, reading, terms):  # type: ignore[no-untyped-def]
    """Let the time since the reading before pass; the share of the noise that is remembered."""
    days, hours = reading.day - s.level.day, reading.hours - s.level.hours
    if not hours >= 0:
        hours = HOURS_A_DAY * days
    noise = terms.noise
    loose = relearn(s.relearning, hours, terms.learn_hours, terms.sigma) if s.relearning.on else 0.0
    wander = (terms.wander + noise.season_wander * reading.base_var) * days + loose
    return predict(s.level, days, noise.memory_days, wander, terms.noise_var)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def judge(s, best, reading, terms):  # type: ignore[no-untyped-def]
    """What is expected, how clearly it strays from that, and what this does to the alarm."""
    verdict, alarm, threshold = s.verdict, s.alarm, terms.threshold
    before = verdict.baseline
    if s.relearning.on:
        shorten(s.relearning, s.level.smoothed, terms.learn_hours, terms.sigma)
    settled = s.seen >= LEAST_SETTLED and not s.relearning.on
    by_onset(verdict, best, s.level, threshold)
    beyond_all = False
    if not np.isnan(s.carried.level):
        beyond_all = by_what_was_carried(s, terms, settled)
    if alarm.on and verdict.direction * alarm.side < 0:
        verdict.baseline, verdict.slope = before, 0.0  # the way back is no new departure
    if is_beyond_health(s, terms):
        verdict.deviation = stay_beyond_health(s, reading.x, terms)
        return
    if settled and (alarm.on or verdict.evidence > threshold) and recovered(s, reading.x, terms):
        start_in_health(s, reading.x, terms)
    away = s.level.smoothed - verdict.baseline
    if alarm.on:
        change = stand(alarm, away, reading.x - verdict.baseline, verdict.evidence, threshold, terms.sigma)
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
    """Whether a level that nothing is known of before its epoch is where no healthy engine is; told at once."""
    if s.alarm.on:
        return s.alarm.far
    if s.relearning.on or not np.isnan(s.carried.level):
        return False
    level = s.level.smoothed - terms.moved.shift
    variance = terms.spread_var + terms.noise_var + terms.moved.shift_var
    return is_far(level, variance, way_used(s.level.smoothed, terms.low, terms.high))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def stay_beyond_health(s, x, terms):  # type: ignore[no-untyped-def]
    """Raise or hold the alarm of a level beyond health; its deviation, from what is expected of all.

    It ends when the level is where healthy engines are, for `PATIENCE` readings: what it reads then is its normal.
    """
    alarm, verdict = s.alarm, s.verdict
    level = s.level.smoothed - terms.moved.shift
    variance = terms.spread_var + terms.noise_var + terms.moved.shift_var
    if not alarm.on:
        rise(alarm, level, level, terms.sigma, s.read_day)
        alarm.far = True
        s.changed.day = np.nan
    alarm.quiet = alarm.quiet + 1 if is_near_again(x - terms.moved.shift, variance) else 0
    if alarm.quiet >= PATIENCE:
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
def by_onset(verdict, best, level, threshold):  # type: ignore[no-untyped-def]
    """Expect what the level filter knows, without what the best onset has brought, as far as that is trusted."""
    verdict.evidence = best.z2 / 2
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
        off = beyond(s.relearning, s.carried, terms.moved, s.level.smoothed, started)
        beyond_var = s.carried.variance + terms.spread_var + terms.noise_var + terms.moved.shift_var
        if off * off / beyond_var / 2 > max(threshold, verdict.evidence):
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
    apart = x - s.verdict.baseline
    begin(s.level, x, apart, s.verdict.baseline, s.level.level_var + REGAINED * terms.spread_var, terms.noise_var)
    return apart


@numba.njit(cache=True, nogil=True, error_model="numpy")
def write_output(s, output, r):  # type: ignore[no-untyped-def]
    """Write what is known of a series into row r."""
    output.expected[r] = s.verdict.expected
    output.deviation[r] = s.verdict.deviation
    output.slope[r] = s.verdict.slope
    output.evidence[r] = s.verdict.evidence
    output.alarm[r] = s.alarm.on
    output.relearning[r] = not s.alarm.on and (s.relearning.on or s.seen < LEAST_SETTLED)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def note(step, innovation, score, memory, level):  # type: ignore[no-untyped-def]
    """Fill one `STEP`."""
    step.level_gain = innovation.level_gain
    step.noise_gain = innovation.noise_gain
    step.sd = innovation.sd
    step.score = score
    step.memory = memory
    step.level = level
