"""The sequential test of one correction over all vehicles: arrays in, arrays out; a compiled kernel, no frames.

A level filter of the healthy reading and, on its innovations, the generalised likelihood ratio of steps and ramps of
every onset, in both directions. The level is part of the filter's state, so it is a nuisance of the test, not a
plugged-in mean; the times between readings may be any. What an epoch's end carries over is judged beside it.

Source: Willsky and Jones (1976), IEEE Transactions on Automatic Control 21(1), 108-112.
"""

import numba
import numpy as np

from pipelines.bands.normal import LEAST_SETTLED
from pipelines.bands.slow import own_wander
from pipelines.drift.alarm_rules import go_on
from pipelines.drift.carry_over import HOURS_A_DAY, begin_relearning, home_of, relearn
from pipelines.drift.level_filter import begin, compare, cut, normal_score, predict, update
from pipelines.drift.onset_bank import fade, open_onset, thin, weigh
from pipelines.drift.series import Reading, Terms
from pipelines.drift.verdict import judge

# A single innovation this many times beyond the last knot waits for the next reading to bear it out; judgement.
WILD = 2.0
BORNE_OUT = 0.5  # which that does on the same side, at least this share as far off; judgement
# Corrections of a vehicle that jump at once are no misread of one; two independent ones are rarer still; judgement.
TOGETHER = 2.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def run(rows, healthy, resumed, output, trace):  # type: ignore[no-untyped-def]
    """Fill what is put out of one correction; going on from what a run left gives what it gives in one go.

    Args:
        rows: `Rows`.
        healthy: `Healthy`.
        resumed: `Resumed`.
        output: `Output`.
        trace: [R] of `STEP`, filled, if they are wanted; else any one. Where they are wanted, what strays is no longer
            judged by the healthy tail.

    Returns:
        How many of `onsets_after` are filled.
    """
    bank = resumed.bank[0].onsets
    taken = left = before = 0
    for v in range(len(resumed.first)):
        s = resumed.series[v]
        taken = copy_onsets(resumed.onsets, taken, bank, 0, s.onsets)
        for r in range(resumed.first[v], resumed.last[v]):
            s.worked = s.worked or rows.worked[r]
            s.verdict.score = np.nan
            again = rows.stood[r] and not np.isnan(s.waiting) and rows.epoch[r] == s.epoch
            if again or not np.isnan(rows.value[r]):
                block = rows.block[r]
                noise = healthy.noise[block]
                sigma = noise.sigma * rows.scale[r]
                reading = Reading(
                    s.waiting if again else rows.value[r] - rows.base[r], rows.base[r], rows.base_var[r],
                    rows.epoch[r], rows.change[r], rows.day[r], rows.hours[r], rows.jumps[r] >= TOGETHER,
                )  # fmt: skip
                terms = Terms(
                    noise, sigma, own_wander(noise.wander, noise.followed, noise.sigma, rows.scale[r]),
                    sigma**2 + reading.base_var,
                    noise.offset_sd**2, rows.moved[r], healthy.threshold[block], healthy.learn_hours,
                    healthy.low - rows.base[r], healthy.high - rows.base[r], rows.coded[r],
                    healthy.step, rows.joined[r], resumed.is_traced,
                )  # fmt: skip
                tail, step_before = healthy.tails[block].knots, trace[before]
                if again:
                    read_again(s, bank, reading, terms, tail, step_before)
                else:
                    before = r if resumed.is_traced else 0
                    take(s, bank, reading, terms, tail, trace[before], step_before)
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
        step: Of `STEP`, filled if it is wanted.
        step_before: The same of the reading that waits, if one does.
    """
    waited = not np.isnan(s.waiting)
    memory = 0.0
    if reading.epoch != s.epoch:
        begin_epoch(s, reading, terms)
        s.least = s.most = reading.x + reading.base
    else:
        if waited and bears_out(s.level, s.waiting, reading.x):
            take_waiting(s, bank, terms, tail, step_before, False)
        memory = pass_time(s, reading, terms)
        fade(bank, s.onsets, memory)
        s.onsets = open_onset(bank, s.onsets, s.read_day, s.seen)
        if s.worked:  # the part may be another one now
            s.level.level_var += terms.moved.gained_var
    s.least, s.most = min(s.least, reading.x + reading.base), max(s.most, reading.x + reading.base)
    innovation = compare(s.level, reading.x, terms.noise.rounding)
    s.level.day, s.level.hours = reading.day, reading.hours
    s.waiting = np.nan
    wild = abs(innovation.size / innovation.sd) > WILD * tail[-1]
    explained = wild and is_explained(s, reading, innovation)
    if wild and not waited and s.seen > 0 and not explained:
        s.onsets -= 1
        s.waiting, s.waited_memory = reading.x, memory
        return
    remembered = memory * s.waited_memory
    best = take_in(s, bank, reading.x, innovation, tail, remembered, step, explained, terms.is_traced)
    s.waited_memory = 1.0
    s.change = reading.change
    if s.worked:
        s.level.smoothed = reading.x
    judge(s, best, reading, terms)
    s.worked = False
    s.verdict.expected = reading.base + s.verdict.baseline


@numba.njit(cache=True, nogil=True, error_model="numpy")
def is_explained(s, reading, innovation):  # type: ignore[no-untyped-def]
    """Whether a wild reading is no misread: others jumped with it, there was work, or it stands where an alarm stands.

    An alarm of before the epoch counts, too: a defect that is back.
    """
    back = not np.isnan(s.carried.level) and innovation.size * s.carried.side > 0
    stands = s.alarm.on and innovation.size * s.alarm.side > 0
    return reading.together or s.worked or stands or back


@numba.njit(cache=True, nogil=True, error_model="numpy")
def read_again(s, bank, reading, terms, tail, step):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take in the reading that waits: the module says the same once more, so that it was no misread."""
    best = take_waiting(s, bank, terms, tail, step, True)
    judge(s, best, reading, terms)
    s.verdict.expected = reading.base + s.verdict.baseline


@numba.njit(cache=True, nogil=True, error_model="numpy")
def take_waiting(s, bank, terms, tail, step, sure):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take the reading that waits into level and onsets; the `Best` onset."""
    s.onsets = open_onset(bank, s.onsets, s.read_day, s.seen)
    innovation = compare(s.level, s.waiting, terms.noise.rounding)
    best = take_in(s, bank, s.waiting, innovation, tail, s.waited_memory, step, sure, terms.is_traced)
    s.waiting, s.waited_memory = np.nan, 1.0
    return best


@numba.njit(cache=True, nogil=True, error_model="numpy")
def take_in(s, bank, x, innovation, tail, memory, step, sure, is_traced):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take the reading x, of the level's day, into level and onsets; the `Best` onset.

    sure: whether it is no misread for certain; the healthy tail does not cut its score then. is_traced: whether the
    step is wanted.
    """
    u = innovation.size / innovation.sd
    score = cut(u) if sure or is_traced else normal_score(u, tail)
    best = weigh(bank, s.onsets, innovation, score, s.level.day)
    update(s.level, x, innovation, score, cut(u))
    s.verdict.score = score
    if is_traced:
        note(step, innovation, score, memory, s.level.level)
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
    if loose > terms.noise_var:  # it is elsewhere now than where it was read
        s.level.smoothed = reading.x
    wander = (terms.wander + noise.season_wander * reading.base_var) * days + loose
    return predict(s.level, days, noise.memory_days, wander, terms.noise_var)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def write_output(s, output, r):  # type: ignore[no-untyped-def]
    """Write what is known of a series into row r."""
    output.expected[r] = s.verdict.expected
    output.deviation[r] = s.verdict.deviation
    output.slope[r] = s.verdict.slope
    output.evidence[r] = s.verdict.evidence
    output.score[r] = s.verdict.score
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
