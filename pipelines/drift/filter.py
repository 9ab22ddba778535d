"""The sequential test of one correction over all vehicles; a compiled kernel, no frames.

A Kalman filter of the healthy reading and, on its innovations, the generalised likelihood ratio of steps and ramps of
every onset, in both directions.

Healthy reading minus base = level (unknown at the start of an epoch, wanders slowly) + noise with memory (an
Ornstein-Uhlenbeck process) + rounding. The level is part of the filter's state, so it is a nuisance of the test, not a
plugged-in mean; the times between readings may be any.

An epoch ends no defect: what a vehicle read in health before it is carried on, as far as it was known, and what stands
apart from that once relearning is over is an alarm; one that stood before needs less to stand again.

Source: Willsky and Jones (1976), IEEE Transactions on Automatic Control 21(1), 108-112.
"""

import numba
import numpy as np

from pipelines.bands.normal import LEAST_SETTLED, SCORES
from pipelines.handover import Float64s

# Columns of a model row: the healthy noise of one correction during one block of time.
SIGMA, MEMORY_DAYS, ROUNDING, WANDER, OFFSET_SD, SEASON_WANDER = range(6)
MODEL_COLUMNS = 6

CANDIDATES = (
    32  # onsets kept: spaced by a constant ratio of their age, and those that explain more than their neighbours
)
NOTABLE = 2.0  # squared z of a step from which an onset is kept for its own sake
AGE_RATIO = 1.8  # an onset goes when its elder neighbour is at most this many times as old as its younger one
SHOCK = 8.0  # innovations up to this size move the noise's own state: most that last a while are real
WILD = 2.0  # a single innovation this many times beyond the last knot waits for the next reading to bear it out
SMOOTHING = 0.3  # weight of the newest reading in the smoothed level
HOLD = 0.9  # an alarm holds until its evidence is below this share of the threshold ...
BACK = 0.75  # ... or it reads within this many sigmas of what is expected,
RETURNED = 0.35  # or within this share of the farthest it strayed,
PATIENCE = 3  # at this many readings in a row
FAR = 2.5  # sds of vehicles' levels off the centre, from which a way back towards it is a recovery
HOME = 4.0  # squared sds of what was known before an epoch within which a level is back there
CARRIED = 0.25  # variance that a level gains over a reset, as a share of that between vehicles
HOURS_A_DAY = 2.0  # ignition hours a day where the clock is not known
TIE = 1e-9  # a ramp that explains no more than a step does, give or take rounding, as after one reading, is none
UNREAD = -2  # in the place of a change of calibration: the series was never read
SETTLED_AT = 0.5  # relearning is over when less than this many sigmas can be left of it

# What is known of one series after a reading: all that the next one needs beside the onsets in its bank.
SERIES = np.dtype(
    [(name, "f8") for name in (
        "mu", "n", "level", "own", "own2", "normal", "before", "before2", "left_off", "peak", "side", "since",
        "p11", "p12", "p22", "t_last", "t_read", "hour_last", "h", "amplitude", "start",
        "expected", "deviation", "slope", "evidence",
    )]
    + [(name, "i4") for name in ("count", "seen", "epoch", "change", "changed", "quiet")]
    + [(name, "?") for name in ("on", "wild", "learning")],
    align=True,
)  # fmt: skip
BANK_COLUMNS = 11  # of an onset: when, which reading; of its step, then its ramp: response, score, weight; squared z


def blank_series(vehicles: int) -> np.ndarray:
    """[V] of `SERIES`: nothing read yet."""
    series = np.zeros(vehicles, dtype=SERIES)
    for name in ("before", "since", "hour_last", "expected", "deviation", "slope", "evidence"):
        series[name] = np.nan
    series["epoch"] = -1
    series["change"] = UNREAD
    return series


def empty_bank(vehicles: int) -> Float64s:
    """Room for the onsets of so many series."""
    return np.empty((vehicles * CANDIDATES, BANK_COLUMNS))


@numba.njit(cache=True, nogil=True, inline="never")
def normal_score(u, knots):  # type: ignore[no-untyped-def]
    """Standard normal score of an innovation by the pooled distribution of innovations; cut at 3.5."""
    size = abs(u)
    last = len(knots) - 1
    if size >= knots[last]:
        score = SCORES[last]
    else:
        k = 1
        while size >= knots[k]:
            k += 1
        score = SCORES[k - 1] + (SCORES[k] - SCORES[k - 1]) * (size - knots[k - 1]) / (knots[k] - knots[k - 1])
    return score if u > 0 else -score


@numba.njit(cache=True, nogil=True)
def thin(bank, count, newest):  # type: ignore[no-untyped-def]
    """Drop onsets that lie close to their neighbours, in place; how many are left."""
    kept = 1
    for j in range(1, count):
        if j < count - 1:
            elder, younger = newest - bank[kept - 1, 1], newest - bank[j + 1, 1]
            peak = bank[j, 10] > max(NOTABLE, bank[kept - 1, 10], bank[j + 1, 10])
            if elder <= AGE_RATIO * younger and not peak:
                continue
        if kept != j:
            bank[kept] = bank[j]
        kept += 1
    if kept == CANDIDATES:
        bank[: kept - 1] = bank[1:kept].copy()
        kept -= 1
    return kept


@numba.njit(cache=True, nogil=True)
def run(  # type: ignore[no-untyped-def]  # noqa: C901, PLR0912, PLR0915, PLR0917 - one compiled pass over the readings
    values, base, base_variance, scale, epoch, change, moved, first, last, day, hours, block, model, tails, learn_hours,
    threshold, series, onsets, expected, deviation, slope, evidence, alarm, relearning, trace, onsets_after,
):  # fmt: skip
    """Fill the six output rows of one correction; rows are sorted by vehicle, then time.

    Going on from what it left gives what it gives in one go.

    Args:
        values: [R] readings; NaN: not read.
        base: [R] what does not depend on the vehicle's own level: centre as at the epoch's start, season, ageing.
        base_variance: [R] error variance of the season, as a part of the noise's.
        scale: [R] sd of this series' noise over the pooled one's, as known before the reading. The level of a series
            that scatters more wanders more; of one that scatters less it need not wander less.
        epoch: [R] learning epoch of the series.
        change: [R] index of the vehicle's last change of calibration, which may move the level for good; -1: none.
        moved: [R, 3] how far that change moved the level, as peers show, the variance of its error, and the variance
            that a level gains over an epoch's end beside that.
        first: [V] row of each vehicle to begin with.
        last: [V] row to stop at.
        day: [R] time in days.
        hours: [R] stitched ignition hours; NaN: not known.
        block: [R] row of `model` that holds then.
        model: [B, 6] healthy noise: marginal sd, memory in days, rounding variance, wander variance per day, sd of
            vehicles' levels, wander that the season's error adds as a share of its variance.
        tails: [B, 8] innovations (in their own sd) whose normal scores are `SCORES`.
        learn_hours: Time constant of relearning in ignition hours; 0: it does not relearn.
        threshold: [B] evidence at which an alarm is raised.
        series: [V] of `SERIES`, as they stand before `first`; brought to `last`.
        onsets: [n, 11] banks of onsets before `first`, one vehicle's after another's.
        expected: [R] output.
        deviation: [R] output, smoothed level minus expected.
        slope: [R] output, of the deviation per 30 days.
        evidence: [R] output, half the squared z of the best onset and shape.
        alarm: [R] output.
        relearning: [R] output.
        trace: [R, 6] receives each step of the filter, for `episode`; [0, 6]: not wanted.
        onsets_after: [V * CANDIDATES, 11] receives the banks after `last`; [0, 11]: not wanted.

    Returns:
        How many rows of `onsets_after` are filled.
    """
    bank = np.zeros((CANDIDATES, BANK_COLUMNS))
    taken = given = 0
    for v in range(len(first)):
        s = series[v]
        count, seen, now_epoch, on, quiet, wild = s.count, s.seen, s.epoch, s.on, s.quiet, s.wild
        mu, n, level, own, own2, normal = s.mu, s.n, s.level, s.own, s.own2, s.normal
        before, before2, left_off, peak, side, since = s.before, s.before2, s.left_off, s.peak, s.side, s.since
        p11, p12, p22, t_last, t_read = s.p11, s.p12, s.p22, s.t_last, s.t_read
        hour_last, h, amplitude, learning = s.hour_last, s.h, s.amplitude, s.learning
        change_last, changed, start = s.change, s.changed, s.start
        last_expected, last_deviation, last_slope, last_evidence = s.expected, s.deviation, s.slope, s.evidence
        bank[:count] = onsets[taken : taken + count]
        taken += count
        for r in range(first[v], last[v]):
            y = values[r]
            if np.isnan(y):
                expected[r] = last_expected
                deviation[r] = last_deviation
                slope[r] = last_slope
                evidence[r] = last_evidence
                alarm[r] = on
                relearning[r] = learning
                continue
            m = model[block[r]]
            sigma = m[SIGMA] * scale[r]
            wander = m[WANDER] * max(scale[r], 1.0) ** 2
            spread2 = m[OFFSET_SD] * m[OFFSET_SD]
            limit = threshold[block[r]]
            noise2 = sigma * sigma + base_variance[r]
            rho = 0.0
            x = y - base[r]
            if epoch[r] != now_epoch:
                fresh = now_epoch >= 0
                if seen >= LEAST_SETTLED and not learning:  # what the epoch showed; else what was known before it
                    before, before2 = own, own2
                    left_off = side if on else 0.0
                    changed = 0
                if fresh:
                    before2 += moved[r, 2] + wander * (day[r] - t_last)
                    changed += change[r] != change_last
                now_epoch = epoch[r]
                count = 0
                seen = 0
                on = False
                quiet = 0
                h = 0.0
                amplitude = np.sqrt(x * x + spread2) if fresh and learn_hours > 0 else 0.0
                mu = n = 0.0
                level = start = x
                p11, p12, p22 = spread2 + amplitude * amplitude, 0.0, noise2
                learning = amplitude > SETTLED_AT * sigma
            else:
                dt = day[r] - t_last
                step_hours = hours[r] - hour_last
                if not step_hours >= 0:
                    step_hours = HOURS_A_DAY * dt
                rho = np.exp(-dt / m[MEMORY_DAYS])
                loose = 0.0
                if learning:
                    left = amplitude * np.exp(-h / learn_hours)
                    h += step_hours
                    still = amplitude * np.exp(-h / learn_hours)
                    loose = left * left - still * still
                    learning = still > SETTLED_AT * sigma
                n *= rho
                p11 += (wander + m[SEASON_WANDER] * base_variance[r]) * dt + loose
                p12 *= rho
                p22 = rho * rho * p22 + noise2 * (1 - rho * rho)
                for j in range(count):
                    bank[j, 3] *= rho
                    bank[j, 7] *= rho
                bank[count, 0] = t_read
                bank[count, 1] = seen
                bank[count, 2:] = 0.0
                count += 1
            variance = p11 + 2 * p12 + p22 + m[ROUNDING]
            root = np.sqrt(variance)
            u = (x - mu - n) / root
            if not wild and seen and abs(u) > WILD * tails[block[r], -1]:
                wild = True
                count -= 1
                t_last = day[r]
                hour_last = hours[r]
                expected[r] = last_expected
                deviation[r] = last_deviation
                slope[r] = last_slope
                evidence[r] = last_evidence
                alarm[r] = on
                relearning[r] = learning
                continue
            wild = False
            shock = min(max(u, -SHOCK), SHOCK)
            score = shock if len(trace) else normal_score(u, tails[block[r]])  # what strays is no longer the tail's
            k1 = (p11 + p12) / variance
            k2 = (p12 + p22) / variance
            best = 0.0
            best_t = best_v = best_d = best_rate = 0.0
            for j in range(count):
                g = 1 - bank[j, 2] - bank[j, 3]
                bank[j, 2] += k1 * g
                bank[j, 3] += k2 * g
                bank[j, 4] += g * score / root
                bank[j, 5] += g * g / variance
                z2 = bank[j, 4] * bank[j, 4] / bank[j, 5]
                bank[j, 10] = z2
                if z2 > best:
                    best = z2
                    best_t, best_v, best_d, best_rate = bank[j, 4], bank[j, 5], bank[j, 2], 0.0
                ramp = (day[r] - bank[j, 0]) / 30
                g = ramp - bank[j, 6] - bank[j, 7]
                bank[j, 6] += k1 * g
                bank[j, 7] += k2 * g
                bank[j, 8] += g * score / root
                bank[j, 9] += g * g / variance
                z2 = bank[j, 8] * bank[j, 8] / bank[j, 9]
                if z2 > best * (1 + TIE):
                    best = z2
                    best_t, best_v, best_d, best_rate = bank[j, 8], bank[j, 9], bank[j, 6], 1.0
            if len(trace):
                trace[r, 0], trace[r, 1], trace[r, 2], trace[r, 3] = k1, k2, root, score
                trace[r, 4] = rho
                trace[r, 5] = mu + k1 * root * score
            mu += k1 * root * score
            n += k2 * root * shock
            p11 -= k1 * k1 * variance
            p12 -= k1 * k2 * variance
            p22 -= k2 * k2 * variance
            t_last = t_read = day[r]
            hour_last = hours[r]
            change_last = change[r]
            seen += 1
            if count:
                count = thin(bank, count, seen)
            level += SMOOTHING * (x - level)
            half = best / 2
            trust = 1 / (1 + np.exp(limit / 2 - half))
            size = best_t / best_v if best_v > 0 else 0.0
            own = mu - trust * size * best_d
            own2 = p11 + (trust * best_d) ** 2 / best_v if best_v > 0 else p11
            rate = trust * size * best_rate
            direction = best_t
            settled = seen >= LEAST_SETTLED and not learning
            if not np.isnan(before):
                gone = mu - before  # an epoch that ended where the fault left it: nothing was cured
                gone2 = p11 + before2
                if changed:
                    gone -= moved[r, 0]
                    gone2 += moved[r, 1] + (changed - 1) * spread2
                if gone * left_off <= 0 and gone * before < 0:  # towards the family's centre: something was cured
                    gone = np.sign(gone) * max(abs(gone) - abs(before), 0.0)
                    if not changed:  # and may stand on the other side now, as vehicles do; a calibration cures nothing
                        gone2 += spread2
                standing = gone * gone / gone2 / 2
                if not settled:  # what was known before holds, as far as what was read since does not say otherwise
                    doubt = 1.0 if gone * left_off > 0 else 1 / (1 + np.exp(limit / 2 - standing))
                    own = mu - gone * max(p11 / gone2, doubt)
                    own += (start - own) * np.exp(-h / learn_hours) if amplitude > 0 else 0.0
                elif standing > half:
                    half, direction, rate = standing, gone, 0.0
                    trust = 1 / (1 + np.exp(limit / 2 - half))
                    own = mu - gone * trust
                    own2 = (1 - trust) ** 2 * p11 + trust**2 * (gone2 - p11)
                    if gone * left_off > 0 and half > limit / 2:
                        half = max(half, limit * (1 + 1e-6))  # the defect of before the reset, back again
            if on and direction * side < 0:
                own, rate = normal, 0.0  # the way back is no new departure
            normal = own
            well = abs(own) > FAR * m[OFFSET_SD] and min(abs(x), abs(level)) < abs(own) / 2  # it was ill at first
            if not np.isnan(before) and changed <= 1 and not on:  # it is back where it was before the epoch
                home, home2 = before, before2 + sigma * sigma
                if changed:
                    home += moved[r, 0]
                    home2 += moved[r, 1]
                apart = min(abs(x - home), abs(level - home))
                well |= apart * apart < HOME * home2 and apart < abs(own - home) / 2
            if settled and well and (on or half > limit):
                on = False
                count = 0
                before = np.nan
                seen = 1
                mu, n, level, p11, p12, p22 = x, 0.0, x, spread2, 0.0, noise2
                own, half, rate = x, 0.0, 0.0
            away = level - own
            if on:
                peak = max(peak, abs(away))
                returned = abs(x - own) < max(BACK * sigma, RETURNED * peak)
                quiet = quiet + 1 if returned or half < HOLD * limit else 0
                if quiet == PATIENCE:
                    on = False
                    count = 0
                    before = np.nan
                    if returned:
                        mu, n, level, away = own, x - own, x, x - own
                        p11, p12, p22 = p11 + CARRIED * spread2, 0.0, noise2
                    else:
                        p11 += spread2
            elif half > limit and settled and direction * away > 0:
                on = abs(away) >= BACK * sigma
                since = day[r]
                quiet = 0
                peak = abs(away)
                side = direction
            last_expected = base[r] + own
            last_deviation = away
            last_slope = rate
            last_evidence = half
            expected[r] = last_expected
            deviation[r] = last_deviation
            slope[r] = last_slope
            evidence[r] = last_evidence
            alarm[r] = on
            relearning[r] = learning
        s.count, s.seen, s.epoch, s.on, s.quiet, s.wild = count, seen, now_epoch, on, quiet, wild
        s.mu, s.n, s.level, s.own, s.own2, s.normal = mu, n, level, own, own2, normal
        s.before, s.before2, s.left_off, s.peak, s.side, s.since = before, before2, left_off, peak, side, since
        s.p11, s.p12, s.p22, s.t_last, s.t_read = p11, p12, p22, t_last, t_read
        s.hour_last, s.h, s.amplitude, s.learning = hour_last, h, amplitude, learning
        s.change, s.changed, s.start = change_last, changed, start
        s.expected, s.deviation, s.slope, s.evidence = last_expected, last_deviation, last_slope, last_evidence
        if len(onsets_after):
            onsets_after[given : given + count] = bank[:count]
            given += count
    return given
