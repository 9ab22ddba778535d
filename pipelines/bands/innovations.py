"""Standardised innovations of healthy readings under the fitted noise; a compiled kernel, no frames."""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def innovations(  # type: ignore[no-untyped-def]  # noqa: PLR0917 - compiled functions take arguments by position
    healthy, epoch, row_start, day, sigma, memory_days, rounding, wander, offset_sd, warm_up
):
    """[C, R] one-step forecast errors in their own sd; NaN: not read, or among the first of its epoch.

    Args:
        healthy: [C, R] readings without level and season.
        epoch: [C, R] learning epoch of the series.
        row_start: [V + 1] first row of each vehicle.
        day: [R] time in days.
        sigma: [C] marginal sd of the noise.
        memory_days: [C] its time constant.
        rounding: [C] variance that has no memory.
        wander: [C] variance of the level's slow movement per day.
        offset_sd: [C] sd of vehicles' levels.
        warm_up: Readings of each epoch left out.
    """
    out = np.full(healthy.shape, np.nan)
    for c in range(len(healthy)):
        noise2 = sigma[c] * sigma[c]
        for v in range(len(row_start) - 1):
            now = -1
            seen = 0
            mu = n = p11 = p12 = p22 = last = 0.0
            for r in range(row_start[v], row_start[v + 1]):
                x = healthy[c, r]
                if np.isnan(x):
                    continue
                if epoch[c, r] != now:
                    now = epoch[c, r]
                    seen = 0
                    mu = n = p12 = 0.0
                    p11, p22 = offset_sd[c] * offset_sd[c], noise2
                else:
                    rho = np.exp(-(day[r] - last) / memory_days[c])
                    n *= rho
                    p11 += wander[c] * (day[r] - last)
                    p12 *= rho
                    p22 = rho * rho * p22 + noise2 * (1 - rho * rho)
                s = p11 + 2 * p12 + p22 + rounding[c]
                e = x - mu - n
                if seen >= warm_up:
                    out[c, r] = e / np.sqrt(s)
                k1, k2 = (p11 + p12) / s, (p12 + p22) / s
                mu += k1 * e
                n += k2 * e
                p11 -= k1 * k1 * s
                p12 -= k1 * k2 * s
                p22 -= k2 * k2 * s
                last = day[r]
                seen += 1
    return out
