"""Standardised innovations of healthy readings under the fitted noise; a compiled kernel, no frames."""

import numba
import numpy as np

from pipelines.bands.slow import own_wander

NEIGHBOURS = 8  # innovations before and after one that tell whether its series drifts; judgement
ASIDE2 = 9.0  # squared z of their sum from which it does; judgement


@numba.njit(cache=True, nogil=True)
def innovations(  # type: ignore[no-untyped-def]  # noqa: PLR0917 - compiled functions take arguments by position
    healthy, epoch, row_start, day, scale, sigma, memory_days, rounding, wander, followed, offset_sd, warm_up
):
    """[C, R] one-step forecast errors in their own sd; NaN: not read, or among the first of its epoch.

    Args:
        healthy: [C, R] readings without level and season.
        epoch: [C, R] learning epoch of the series.
        row_start: [V + 1] first row of each vehicle.
        day: [R] time in days.
        scale: [C, V] of each series' noise, against the pooled one.
        sigma: [C] marginal sd of the noise.
        memory_days: [C] its time constant.
        rounding: [C] variance that has no memory.
        wander: [C] variance of the level's slow movement per day.
        followed: [C] by how much it grows with the square of a scale.
        offset_sd: [C] sd of vehicles' levels.
        warm_up: Readings of each epoch left out.
    """
    out = np.full(healthy.shape, np.nan)
    for c in range(len(healthy)):
        for v in range(len(row_start) - 1):
            marginal_var = (sigma[c] * scale[c, v]) ** 2
            wander_var = own_wander(wander[c], followed[c], sigma[c], scale[c, v])
            now = -1
            seen = 0
            level = noise = level_var = covariance = noise_var = last = 0.0
            for r in range(row_start[v], row_start[v + 1]):
                x = healthy[c, r]
                if np.isnan(x):
                    continue
                if epoch[c, r] != now:
                    now = epoch[c, r]
                    seen = 0
                    level = noise = covariance = 0.0
                    level_var, noise_var = offset_sd[c] * offset_sd[c], marginal_var
                else:
                    memory = np.exp(-(day[r] - last) / memory_days[c])
                    noise *= memory
                    level_var += wander_var * (day[r] - last)
                    covariance *= memory
                    noise_var = memory * memory * noise_var + marginal_var * (1 - memory * memory)
                variance = level_var + 2 * covariance + noise_var + rounding[c]
                size = x - level - noise
                if seen >= warm_up:
                    out[c, r] = size / np.sqrt(variance)
                level_gain, noise_gain = (level_var + covariance) / variance, (covariance + noise_var) / variance
                level += level_gain * size
                noise += noise_gain * size
                level_var -= level_gain * level_gain * variance
                covariance -= level_gain * noise_gain * variance
                noise_var -= noise_gain * noise_gain * variance
                last = day[r]
                seen += 1
    return out


@numba.njit(cache=True, nogil=True)
def astray(innovation, epoch, row_start):  # type: ignore[no-untyped-def]
    """[C, R] whether an innovation stands among others of its epoch that lie to one side: what drifts shows no tail.

    Its own size has no say, or what is far off by chance would count as drift.

    Args:
        innovation: [C, R] innovations; NaN: none.
        epoch: [C, R] learning epoch of the series.
        row_start: [V + 1] first row of each vehicle.
    """
    out = np.zeros(innovation.shape, dtype=np.bool_)
    sums = np.zeros(innovation.shape[1] + 1)
    rows = np.empty(innovation.shape[1], dtype=np.int64)
    for c in range(len(innovation)):
        for v in range(len(row_start) - 1):
            begin = row_start[v]
            while begin < row_start[v + 1]:
                end = begin
                count = 0
                while end < row_start[v + 1] and epoch[c, end] == epoch[c, begin]:
                    if not np.isnan(innovation[c, end]):
                        rows[count] = end
                        sums[count + 1] = sums[count] + innovation[c, end]
                        count += 1
                    end += 1
                for i in range(count):
                    low, high = max(i - NEIGHBOURS, 0), min(i + 1 + NEIGHBOURS, count)
                    before, after = sums[i] - sums[low], sums[high] - sums[i + 1]
                    before2, after2 = before * before / max(i - low, 1), after * after / max(high - i - 1, 1)
                    out[c, rows[i]] = max(before2, after2) > ASIDE2
                begin = end
    return out
