"""The posterior of one change over onsets, laws of growth and sizes, and when it will meet a limit.

The response of the level filter to a change of unit size is linear, so that the size of the change is integrated out.
A limit is met when the correction is within a step of it on two drives running: noise that lasts longer than a drive
meets it before the level does. Only what loops over readings or dates is compiled.
"""

from typing import NamedTuple

import numba
import numpy as np

from pipelines.drift.growth_laws import FARTHEST_DAYS, LAW_OF, LAWS, MEMBERS, PHASES, ROW_OF, TABLE, WARMEST, YEAR
from pipelines.handover import Float64s, Int64s

SCALES = np.array([0.25, 0.7, 2.0, 5.0])  # of the sizes of the table, each as usual as another; judgement
# Sizes beside the likeliest, in its sds, of equal weight (medians of sixths of a normal distribution, spread to its
# variance); and with each a share of the noise that has not met a limit before it, so that both spread; derived.
POINTS = np.array([-1.545, -0.753, -0.235, 0.235, 0.753, 1.545])
UNMET = np.array([0.583, 0.083, 0.75, 0.25, 0.917, 0.417])  # derived
LEAST_WEIGHT = 4e-3  # of the greatest; for speed
ONSETS_AT, DATES_AT = (0.05, 0.95), (0.1, 0.5, 0.9)  # quantiles that are published: definition
MOMENT = 1e-6  # days between readings, at least; numerical
RATE_DAYS = 30.0  # that a published rate is of: definition
# Onsets that are tried, by how many readings ago: from, to, and every how many; for speed.
ONSETS_BACK = ((0, 48, 1), (48, 96, 2), (96, 192, 4), (192, 768, 16), (768, 20_000, 256))
BELIEF_IN_NOISE = 8.0  # readings that the noise of health counts for, when what strays scatters more; judgement


class Changes(NamedTuple):
    """Every change that might explain the readings of an alarm.

    onset: [K] index of the reading before each onset. log_weight, size, spread: [K, paths, SCALES] log likelihood of a
    change from there, its likeliest size, the sd of that. taken: [K, paths] of a change of unit size, what the level
    took in. excess: variance of what the likeliest leaves unexplained, over that of health.
    """

    onset: Int64s
    log_weight: Float64s
    size: Float64s
    spread: Float64s
    taken: Float64s
    excess: float


def weigh(trace: np.ndarray, day: Float64s, sigma: float) -> Changes:
    """Weigh every change by the readings.

    Args:
        trace: [n] of `STEP`: what the filter did.
        day: [n] times, since 1970.
        sigma: Marginal sd of the noise.
    """
    onset, stands_for = candidates(len(day))
    said, precision, taken = respond(trace, day, onset, rows_of(day[onset]), TABLE)
    more = _excess(trace["score"], onset, said, precision)
    prior2 = (SCALES * sigma) ** 2
    exact = precision[:, :, None] / more + 1 / prior2
    size = said[:, :, None] / more / exact
    log_weight = 0.5 * size**2 * exact - 0.5 * np.log(prior2 * exact) + np.log(stands_for)[:, None, None]
    return Changes(onset, log_weight, size, 1 / np.sqrt(exact), taken, more)


def candidates(count: int) -> tuple[Int64s, Int64s]:
    """[K] readings after which a change may have begun, and how many each stands for: all lately, fewer before."""
    back = np.concatenate([np.arange(begin, end, step) for begin, end, step in ONSETS_BACK])
    onset = np.unique(np.append(np.maximum(count - 2 - back, 0), 0))
    return onset, np.diff(np.append(onset, count - 1))


def law_fits(trace: np.ndarray, day: Float64s, sigma: float) -> Float64s:
    """[LAWS, SCALES] likelihood of each law, its onset, path and size integrated out; they sum to 1."""
    log_weight = weigh(trace, day, sigma).log_weight
    by_path = np.exp(log_weight - log_weight.max()).sum(axis=0) / MEMBERS[LAW_OF][:, None]
    fits = np.zeros((len(LAWS), len(SCALES)))
    np.add.at(fits, LAW_OF, by_path)
    shares: Float64s = fits / fits.sum()
    return shares


def posterior(trace: np.ndarray, day: Float64s, sigma: float, room: Float64s, shares: Float64s) -> Float64s:
    """[7] onset (5 %, best, 95 %), rate over the coming 30 days, limit dates (10, 50, 90 %; NaN: none); days.

    Args:
        trace: [n] of `STEP`: what the filter did.
        day: [n] times, since 1970.
        sigma: Marginal sd of the noise.
        room: [2] lower and upper limit, less a step, minus (base + filtered level); NaN: that side never faults.
        shares: [LAWS, SCALES] log share of each law.
    """
    changes = weigh(trace, day, sigma)
    log_weight = changes.log_weight + (shares[LAW_OF] - np.log(MEMBERS[LAW_OF])[:, None])
    by_scale = np.exp(log_weight - log_weight.max())
    by_scale /= by_scale.sum()
    weight, begin = by_scale.sum(axis=2), day[changes.onset]
    mean = (by_scale * changes.size).sum(axis=2) / np.maximum(weight, 1e-300)
    square = (by_scale * (changes.size**2 + changes.spread**2)).sum(axis=2) / np.maximum(weight, 1e-300)
    since, rows = day[-1] - begin, rows_of(begin)
    pace = grown(rows, since[:, None] + RATE_DAYS) - grown(rows, since[:, None])
    k, path = np.nonzero(weight >= LEAST_WEIGHT * weight.max())
    spread = np.sqrt(np.maximum(square - mean**2, 0.0))[k, path]
    memory = np.clip(trace["memory"][-1], 1e-12, 1 - 1e-12)
    met = dates_of(
        rows[k, path], mean[k, path][:, None] + POINTS * spread[:, None], changes.taken[k, path],
        np.asarray(room, dtype=np.float64), since[k], sigma * np.sqrt(changes.excess),
        (day[-2] - day[-1]) / np.log(memory), UNMET, TABLE,
    )  # fmt: skip
    dates = quantiles((begin[k][:, None] + met).ravel(), np.repeat(weight[k, path], len(POINTS)), DATES_AT)
    dates[dates > day[-1] + FARTHEST_DAYS] = np.nan
    onset = onsets(weight.sum(axis=1), np.append(begin, day[-1]))
    return np.concatenate([onset, [(weight * mean * pace).sum()], dates])


def rows_of(onset: Float64s) -> Int64s:
    """[n, paths] row of each path in the table of growth, by the phase of the year of its onset (days since 1970)."""
    phase = np.floor(((onset - WARMEST) / YEAR) % 1.0 * PHASES + 0.5).astype(np.int64) % PHASES
    return ROW_OF[phase]


def grown(row: Int64s, days: Float64s) -> Float64s:
    """Size of changes of these rows of the table `days` after their onset; of one shape."""
    place = np.clip(days / TABLE.step_days, 0.0, TABLE.grown.shape[1] - 1.001)
    before = place.astype(np.int64)
    now: Float64s = TABLE.grown[row, before]
    return now + (place - before) * (TABLE.grown[row, before + 1] - now)


def onsets(by_onset: Float64s, day: Float64s) -> Float64s:
    """[3] the onset: from, best, to. by_onset: [K] weight between two days [K + 1], alike in between.

    A step and growth from before it explain the same readings: halfway between their onsets it was hardly ever. So the
    best is where the error is least in logs: whether one reading off or two matters as much as whether ten or twenty.
    """
    reached = np.concatenate([[0.0], np.cumsum(by_onset)])
    low, high = np.interp(np.array(ONSETS_AT) * reached[-1], reached, day)
    middle, wide = (day[1:] + day[:-1]) / 2, np.maximum(np.diff(day), MOMENT)
    apart = day[None] - middle[:, None]
    so_far = apart * (np.log(np.maximum(np.abs(apart), MOMENT)) - 1)  # integral of the log of a distance
    error = np.diff(so_far, axis=1) @ (by_onset / wide)
    return np.array([low, np.clip(middle[np.argmin(error)], low, high), high])


def quantiles(values: Float64s, weights: Float64s, shares: tuple[float, ...]) -> Float64s:
    """[n] quantiles of weighted values."""
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    at_shares: Float64s = values[order[np.searchsorted(reached, np.array(shares) * reached[-1])]]
    return at_shares


def _excess(score: Float64s, onset: Int64s, said: Float64s, precision: Float64s) -> float:
    """Variance of what the likeliest change leaves unexplained since its onset, over that of health; 1 at least.

    A defect that comes and goes scatters more than health does; its size and its dates are less certain then.
    """
    fit = said**2 / (precision + 1)
    best = int(onset[np.argmax(fit.max(axis=1))])
    left = max(float((score[best + 1 :] ** 2).sum() - fit.max()), 0.0)
    return max(1.0, (left + BELIEF_IN_NOISE) / (len(score) - 1 - best + BELIEF_IN_NOISE))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def respond(trace, day, onset, rows, table):  # type: ignore[no-untyped-def]
    """How the filter answers a change of unit size after each reading.

    Args:
        trace: [n] of `STEP`: what the filter did.
        day: [n] times.
        onset: [K] index of the reading before each onset.
        rows: [K, paths] of the table of growth.
        table: `Table`.

    Returns:
        Three of [K, paths]: what its scores say of the size, how precisely, and what the level has taken in.
    """
    paths = rows.shape[1]
    said, precision, taken = np.zeros(rows.shape), np.zeros(rows.shape), np.zeros(rows.shape)
    noise, last = np.empty(paths), table.grown.shape[1] - 1.001
    for k in range(len(onset)):
        noise[:] = 0.0
        for i in range(onset[k] + 1, len(day)):
            place = min((day[i] - day[onset[k]]) / table.step_days, last)
            before = int(place)
            part, step = place - before, trace[i]
            for path in range(paths):
                row = table.grown[rows[k, path]]
                g = row[before] + part * (row[before + 1] - row[before])
                noise[path] *= step.memory
                g -= taken[k, path] + noise[path]
                taken[k, path] += step.level_gain * g
                noise[path] += step.noise_gain * g
                g /= step.sd
                said[k, path] += g * step.score
                precision[k, path] += g * g
    return said, precision, taken


@numba.njit(cache=True, nogil=True, error_model="numpy")
def after(path, days, step_days):  # type: ignore[no-untyped-def]
    """Size of one path of the table `days` after its onset."""
    place = min(days / step_days, len(path) - 1.001)
    before = int(place)
    return path[before] + (place - before) * (path[before + 1] - path[before])


@numba.njit(cache=True, nogil=True, error_model="numpy")
def days_until(path, highest, size, since, step_days):  # type: ignore[no-untyped-def]
    """Days after its onset, `since` at least, at which a path of the table is as large as `size`; inf: never."""
    if after(path, since, step_days) >= size:
        return since
    first = int(since / step_days)
    week = np.searchsorted(highest, size)
    if week <= first:  # it was as large before, and is not now
        week = first + 1
        while week < len(path) and path[week] < size:
            week += 1
    if week >= len(path):
        return np.inf
    rise = path[week] - path[week - 1]
    return max(since, (week - (path[week] - size) / rise) * step_days)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def left_when_met(days, way, memory_days, unmet):  # type: ignore[no-untyped-def]
    """What is left to a limit, in sds of the noise, when noise with memory meets it; 0: the level meets it first.

    Of noise of sd 1 the rate of reaching z is z phi(z) a time constant; a level that comes nearer by `way` sds in
    `days` has not been met with the probability `unmet` where phi(z) = -ln(unmet) * way * memory_days / days.

    Source: Rice (1945), Bell System Technical Journal 24, 46-156; for noise as rough as this, Pickands (1969).
    """
    density = -np.log(unmet) * way * memory_days / max(days, 1e-9) * np.sqrt(2 * np.pi)
    return np.sqrt(-2 * np.log(density)) if 0 < density < 1 else 0.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def dates_of(rows, sizes, taken, room, since, sigma, memory_days, unmet, table):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """[m, P] days after its onset at which each change meets the limit; inf: never.

    Args:
        rows: [m] of the table of growth.
        sizes: [m, P] of the change, over that of the table.
        taken: [m] what the level took in of a change of unit size.
        room: [2] lower and upper limit from the level; NaN: that side never faults.
        since: [m] days from the onset to now.
        sigma: Marginal sd of the noise.
        memory_days: Time constant of the noise.
        unmet: [P] share of noise that has not met the limit, for each size.
        table: `Table`.
    """
    met = np.full(sizes.shape, np.inf)
    for i in range(len(rows)):
        path, highest, begin = table.grown[rows[i]], table.highest[rows[i]], since[i]
        for p in range(sizes.shape[1]):
            size = sizes[i, p]
            limit = room[1] if size > 0 else room[0]
            if np.isnan(limit):
                continue
            goal = limit / size + taken[i]
            met[i, p] = days_until(path, highest, goal, begin, table.step_days)
            ahead = met[i, p] - begin
            if 0 < ahead < np.inf:
                way = abs(size) * (goal - after(path, begin, table.step_days)) / sigma
                left = min(left_when_met(ahead, way, memory_days, unmet[p]), way)
                met[i, p] = days_until(path, highest, goal - left * sigma / abs(size), begin, table.step_days)
    return met
