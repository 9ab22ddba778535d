"""The lines through a correction's newest readings: where it stands and where it goes; compiled, one series at a time.

The smoothed level of the drift stage is late on a ramp; near a limit the noise is small against the authority, and the
newest readings tell more. Two stories are told: one line through all of them, or a jump and a line since. A slope has a
prior around none at all, so that noise alone goes nowhere.
"""

import math

import numba

WINDOW_DAYS = 45.0  # readings no older make the lines; judgement
FEWEST, MOST = 4, 45  # at least so many, up to OLDEST_DAYS, and at most; judgement
OLDEST_DAYS = 120.0  # judgement
SLOPE_SHARE = 0.1  # of the authority per 30 days: standard deviation of slopes beforehand; judgement
JUMPS = math.log(2.0)  # log odds against a jump beforehand; judgement


@numba.njit(cache=True, nogil=True, error_model="numpy")
def newest_readings(values, epoch, day, r, start, c, times, levels):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """How many readings of the newest learning epoch the lines rest on; fills `times` (days, 0 or less) and `levels`.

    Newest first. Each is replaced by the median of itself and its neighbours, then the newest by that of itself, the
    one before and the line through the two before (Tukey, 1977), so that one misread value moves nothing.

    Args:
        values: [R, C] readings; NaN: not read.
        epoch: [R, C] learning epoch.
        day: [R] times, days.
        r: Row of the newest reading.
        start: First row of the vehicle.
        c: Column of the correction.
        times: [MOST] output.
        levels: [MOST] output.
    """
    n = 0
    k = r
    while k >= start and n < MOST:
        age = day[r] - day[k]
        if epoch[k, c] != epoch[r, c] or (age > WINDOW_DAYS and (n >= FEWEST or age > OLDEST_DAYS)):
            break
        if not math.isnan(values[k, c]):
            times[n], levels[n] = -age, values[k, c]
            n += 1
        k -= 1
    if n >= 3:
        newest = levels[0]
        after = newest
        for i in range(1, n - 1):
            here = levels[i]
            levels[i] = _median(after, here, levels[i + 1])
            after = here
        levels[0] = _median(newest, levels[1], 3 * levels[1] - 2 * levels[2])
    return n


@numba.njit(cache=True, nogil=True, error_model="numpy")
def line(times, levels, n, noise, slope_sd):  # type: ignore[no-untyped-def]
    """(mean, its time, slope, variance of the mean, variance of the slope) of the n newest readings.

    Args:
        times: Days, newest first.
        levels: Readings.
        n: How many.
        noise: Variance of a reading, with what its memory adds.
        slope_sd: Standard deviation of slopes beforehand, unit a day.
    """
    at = mean = spread = shared = 0.0
    for i in range(n):  # in loops: reductions of arrays take seconds to compile
        at += times[i] / n
        mean += levels[i] / n
    for i in range(n):
        spread += (times[i] - at) ** 2
        shared += (times[i] - at) * (levels[i] - mean)
    precision = spread / noise + 1 / (slope_sd * slope_sd)
    return mean, at, shared / noise / precision, noise / n, 1 / precision


@numba.njit(cache=True, nogil=True, error_model="numpy")
def since_jump(times, levels, n, noise, slope_sd):  # type: ignore[no-untyped-def]
    """(readings since the likeliest jump, probability that there was one rather than a line), by their likelihoods.

    An extra level and the place of the jump are paid for as by Schwarz (1978). Arguments as for `line`.
    """
    if n < 3:
        return n, 0.0
    mean, at, slope, _, _ = line(times, levels, n, noise, slope_sd)
    straight = total = squares = 0.0
    for i in range(n):
        straight += (levels[i] - mean - slope * (times[i] - at)) ** 2
        total += levels[i] - mean
        squares += (levels[i] - mean) ** 2
    best, since = squares, n
    newer = 0.0
    for k in range(1, n):
        newer += levels[k - 1] - mean
        left = squares - newer**2 / k - (total - newer) ** 2 / (n - k)
        if left < best:
            best, since = left, k
    odds = (straight - best) / (2 * noise) - 0.5 * math.log(n) - math.log(n - 1.0) - JUMPS
    return since, 1 / (1 + math.exp(-min(max(odds, -30.0), 30.0)))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def noise_variance(times, n, sigma, memory):  # type: ignore[no-untyped-def]
    """Variance of a reading as n readings in a row show it: with a memory, they tell less than they are."""
    step = -times[n - 1] / max(n - 1, 1)
    rho = math.exp(-max(step, 0.1) / max(memory, 1e-3)) if n > 1 else 0.0
    return max(sigma * sigma, 1e-18) * (1 + rho) / (1 - rho)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _median(a, b, c):  # type: ignore[no-untyped-def]
    return max(min(a, b), min(max(a, b), c))
