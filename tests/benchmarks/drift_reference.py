"""The reference test that delays are held against: a likelihood ratio that knows the noise and the law of growth.

It knows the true noise (sd 1, an Ornstein-Uhlenbeck memory) and the change (a step or a ramp, and its size), but
neither level, direction nor onset. Generalised least squares with the level unknown, by prefix sums, for any spacing of
the readings; every onset is tried. Its threshold is found by its own simulation.

Sources: Siegmund and Venkatraman (1995), Annals of Statistics 23(1), 255-271; Apley and Shi (1999), IIE Transactions
31(12), 1123-1134, for the likelihood ratio of changes in correlated noise.
"""

from functools import cache

import numba
import numpy as np

OLDEST = 150  # readings back at which an onset is looked for, every reading up to then
STEP, RAMP = 0, 1
LAWS = {"step": STEP, "ramp": RAMP}
SERIES, AT_ONCE, READINGS, WEEK = 40_000, 2000, 156, 7.0  # simulated for the threshold


@numba.njit(cache=True, nogil=True)
def evidence(y, day, start, memory_days, law, size):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """[R] log likelihood ratio of the best onset and direction at each reading, at least 0.

    Args:
        y: [R] readings in sigmas; only their changes matter.
        day: [R] times.
        start: [S + 1] first row of each series.
        memory_days: [S] time constant of the noise.
        law: STEP or RAMP.
        size: Sigmas of a step, sigmas per 30 days of a ramp.
    """
    out = np.zeros(len(y))
    longest = 0
    for s in range(len(start) - 1):
        longest = max(longest, start[s + 1] - start[s])
    ae, be, aa, ab, bb = np.zeros((5, longest + 1))
    e, b, g, at = np.zeros((4, longest))
    for s in range(len(start) - 1):
        first = start[s]
        for i in range(start[s + 1] - first):
            r = first + i
            at[i] = (day[r] - day[first]) / 30
            rho = np.exp(-(day[r] - day[r - 1]) / memory_days[s]) if i else 0.0
            w = 1 / np.sqrt(1 - rho * rho)
            e[i] = w * (y[r] - (rho * y[r - 1] if i else 0.0))
            a = w * (at[i] - (rho * at[i - 1] if i else 0.0))
            b[i] = w * (1 - rho)
            g[i] = w * rho
            ae[i + 1] = ae[i] + a * e[i]
            be[i + 1] = be[i] + b[i] * e[i]
            aa[i + 1] = aa[i] + a * a
            ab[i + 1] = ab[i] + a * b[i]
            bb[i + 1] = bb[i] + b[i] * b[i]
            best = 0.0
            for k in range(max(i - OLDEST, 0), i):  # last reading before the change
                if law == RAMP:
                    u = at[k]
                    dab, dbb = ab[i + 1] - ab[k + 1], bb[i + 1] - bb[k + 1]
                    t = ae[i + 1] - ae[k + 1] - u * (be[i + 1] - be[k + 1])
                    v = aa[i + 1] - aa[k + 1] - 2 * u * dab + u * u * dbb
                    x = dab - u * dbb
                else:
                    n = k + 1
                    t = be[i + 1] - be[n] + g[n] * e[n]
                    v = bb[i + 1] - bb[n] + 2 * g[n] * b[n] + g[n] * g[n]
                    x = bb[i + 1] - bb[n] + g[n] * b[n]
                free = v - x * x / bb[i + 1]
                best = max(best, size * abs(t - x * be[i + 1] / bb[i + 1]) - size * size * free / 2)
            out[r] = best
    return out


@cache
def threshold(law: int, size: float, memory: float, readings_to_false_alarm: float, series: int = SERIES) -> float:
    """Evidence that healthy weekly readings exceed once in so many readings.

    Args:
        law: STEP or RAMP.
        size: Of the change that is looked for.
        memory: Of the noise over a week.
        readings_to_false_alarm: Mean, of one correction.
        series: How many are simulated.
    """
    rng = np.random.default_rng(7)
    highest = []
    start = np.arange(0, AT_ONCE * READINGS + 1, READINGS)
    days, memories = np.tile(np.arange(READINGS) * WEEK, AT_ONCE), np.full(AT_ONCE, memory_days(memory))
    for _ in range(series // AT_ONCE):
        noise = rng.standard_normal((AT_ONCE, READINGS))
        for i in range(1, READINGS):
            noise[:, i] = memory * noise[:, i - 1] + np.sqrt(1 - memory**2) * noise[:, i]
        found = evidence(noise.ravel(), days, start, memories, law, size)
        highest.append(found.reshape(AT_ONCE, READINGS).max(axis=1))
    once = 1 - np.exp(-READINGS / readings_to_false_alarm)
    return float(np.quantile(np.concatenate(highest), 1 - once))


def memory_days(memory: float) -> float:
    """Time constant of a memory over a week."""
    return -WEEK / np.log(memory)


def first_after(on: np.ndarray, start: np.ndarray, onset: np.ndarray) -> np.ndarray:
    """[S] readings from the onset to the first `on`, the onset's own reading counting one; inf: never; NaN: on before.

    Args:
        on: [R] above the threshold.
        start: [S + 1] first row of each series.
        onset: [S] row of the first reading after the change; at least one reading is before it.
    """
    found = np.full(len(onset), np.inf)
    for s, row in enumerate(onset):
        if on[row - 1]:
            found[s] = np.nan
        else:
            after = np.flatnonzero(on[row : start[s + 1]])
            found[s] = after[0] + 1 if len(after) else np.inf
    return found


def restricted_mean(delay: np.ndarray, seen_for: np.ndarray, cap: float) -> float:
    """Mean delay up to `cap`, by Kaplan and Meier (1958), JASA 53, 457-481.

    Args:
        delay: Readings to the alarm; inf: none.
        seen_for: Readings that there are; an alarm after them is not seen.
        cap: The longest delay that counts.
    """
    end = np.minimum(delay, seen_for)
    alive, mean, before = 1.0, 0.0, 0.0
    for t in np.unique(end[end <= cap]):
        mean += alive * (t - before)
        at_risk = (end >= t).sum()
        alive *= 1 - ((end == t) & (delay <= seen_for)).sum() / at_risk
        before = t
    return float(mean + alive * (cap - before))
