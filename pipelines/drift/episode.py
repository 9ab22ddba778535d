"""After the alarm: since when, how fast, and when the limit is met; a posterior over onsets and shapes of growth.

A step, a ramp, a change that levels off and one that accelerates, each from every onset of the epoch, are weighed by
the likelihood of the readings with the level unknown and the size of the change integrated out.
"""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.bands.kept import Bands
from pipelines.bands.recalibration import blank_levels
from pipelines.bands.season import blank_peers
from pipelines.drift.filter import blank_series, empty_bank
from pipelines.drift.readings import Readings, moves, seasons, sift
from pipelines.handover import Float64s, Panel

SHAPES = 5  # step, ramp, accelerating (square), levelling off in a month, in three months
LEVELLING_DAYS = (30.0, 90.0)
SIZE_SIGMAS = np.array([4.0, 2.0, 1.0, 4.0, 6.0])  # prior sd of a change: sigmas, per 30 days, per 30 days squared
SHAPE_PRIOR = np.log(np.array([0.2, 0.3, 0.4, 0.05, 0.05]))
POINTS = np.array([-1.834, -1.221, -0.868, -0.588, -0.341, -0.112, 0.112, 0.341, 0.588, 0.868, 1.221, 1.834])
FARTHEST_DAYS = 3650.0  # a limit met later than this is not expected to be met
LEAST_WEIGHT = 1e-4


@dataclass(frozen=True, kw_only=True)
class Episodes:
    """What is known of each standing alarm, [C, V]; times in days since 1970, NaN: no alarm, or not expected."""

    alarm_at: Float64s
    onset_at: Float64s
    onset_low: Float64s
    onset_high: Float64s
    rate: Float64s
    rate_per_1000km: Float64s
    limit_p10: Float64s
    limit_p50: Float64s
    limit_p90: Float64s

    @classmethod
    def none(cls, corrections: int, vehicles: int) -> "Episodes":
        """No alarm anywhere."""
        return cls(**{name: np.full((corrections, vehicles), np.nan) for name in cls.__dataclass_fields__})


def explain(
    c: int, found: Episodes, *, panel: Panel, readings: Readings, bands: Bands, weeks: np.ndarray, series: np.ndarray
) -> None:
    """Fill row c of `found` for every vehicle whose alarm stands at its last reading.

    Args:
        c: Index of the correction.
        found: Filled in place.
        panel: The family's, whole.
        readings: All of the correction.
        bands: The family's.
        weeks: [1 or V, W, D] of the season's `WEEKLY`.
        series: [V] of the filter's `SERIES`, after the last reading.
    """
    limits = np.array(
        [
            panel.low_limit[c] if panel.can_fault_low[c] else np.nan,
            panel.high_limit[c] if panel.can_fault_high[c] else np.nan,
        ]
    )
    sigma = bands.normal.sigma[c]
    for v in np.flatnonzero(series["on"]):
        rows = slice(panel.row_start[v], panel.row_start[v + 1])
        mine, km = readings.at(rows), panel.km[rows]
        base, trace = _retraced(c, mine, bands, weeks[v : v + 1] if len(weeks) > 1 else weeks)
        read = np.flatnonzero(np.isfinite(trace[:, 0]))  # the newest epoch may not have been read yet
        kept = read[mine.epoch[read] == mine.epoch[read[-1]]]
        day = mine.times.day
        now = base[kept[-1]] + trace[kept[-1], 5]
        answer = posterior(trace[kept], day[kept], sigma[mine.times.block[-1]], limits - now)
        found.alarm_at[c, v] = series["since"][v]
        for name, value in zip(
            ("onset_low", "onset_at", "onset_high", "rate", "limit_p10", "limit_p50", "limit_p90"), answer, strict=True
        ):
            getattr(found, name)[c, v] = value
        found.rate_per_1000km[c, v] = answer[3] / _thousand_km_per_30_days(day, km, answer[1])


def _retraced(c: int, mine: Readings, bands: Bands, weeks: np.ndarray) -> tuple[Float64s, Float64s]:
    """[n] base and [n, 6] steps of the filter, of all readings of one vehicle."""
    count = len(mine.values)
    start, end = np.array([0]), np.array([count])
    seasonal = seasons(
        c, mine, bands.normal, first=start, row_start=np.array([0, count]), peers=blank_peers(1), weeks=weeks
    )
    moved = moves(
        c, mine, seasonal[0], bands, first=start, row_start=np.array([0, count]), levels=blank_levels(1)
    )  # fmt: skip
    trace = np.full((count, 6), np.nan)
    outputs = (*np.empty((4, count), dtype=np.float32), *np.empty((2, count), dtype=np.bool_))
    series, onsets = blank_series(1), empty_bank(0)
    sift(
        c, mine, bands, seasonal, moved, first=start, last=end, series=series, onsets=onsets, outputs=outputs,
        trace=trace,
    )  # fmt: skip
    return mine.anchor + seasonal[0], trace


def _thousand_km_per_30_days(day: Float64s, km: Float64s, onset: float) -> float:
    """How far the vehicle went since the onset (a month at least), in 1,000 km per 30 days; NaN: not known."""
    known = np.flatnonzero(np.isfinite(km))
    if len(known) < 2:
        return np.nan
    first = known[min(np.searchsorted(day[known], min(onset, day[known[-1]] - 30)), len(known) - 2)]
    went, took = km[known[-1]] - km[first], day[known[-1]] - day[first]
    return went / 1000 / took * 30 if went > 0 and took > 0 else np.nan


@numba.njit(cache=True, nogil=True)
def growth(shape, days):  # type: ignore[no-untyped-def]
    """Size of a change of unit size, `days` after its onset."""
    if shape == 0:
        return 1.0
    if shape == 1:
        return days / 30
    if shape == 2:
        return (days / 30) ** 2
    return 1 - np.exp(-days / LEVELLING_DAYS[shape - 3])


@numba.njit(cache=True, nogil=True)
def pace(shape, days):  # type: ignore[no-untyped-def]
    """Growth per 30 days of a change of unit size, `days` after its onset."""
    if shape == 0:
        return 0.0
    if shape == 1:
        return 1.0
    if shape == 2:
        return 2 * days / 30
    return np.exp(-days / LEVELLING_DAYS[shape - 3]) * 30 / LEVELLING_DAYS[shape - 3]


@numba.njit(cache=True, nogil=True)
def days_until(shape, size):  # type: ignore[no-untyped-def]
    """Days after its onset at which a change of unit size has grown to `size`; inf: never."""
    if size <= 0:
        return 0.0
    if shape == 0:
        return 0.0 if size <= 1 else np.inf
    if shape == 1:
        return 30 * size
    if shape == 2:
        return 30 * np.sqrt(size)
    return -LEVELLING_DAYS[shape - 3] * np.log(1 - size) if size < 1 else np.inf


@numba.njit(cache=True, nogil=True)
def quantile(values, weights, order, share):  # type: ignore[no-untyped-def]
    """Weighted quantile; `order` sorts the values."""
    total = 0.0
    for i in order:
        total += weights[i]
        if total >= share:
            return values[i]
    return values[order[-1]]


@numba.njit(cache=True, nogil=True)
def posterior(trace, day, sigma, room):  # type: ignore[no-untyped-def]  # noqa: C901, PLR0915
    """Onset (5, 50, 95 %), rate per 30 days, and limit dates (10, 50, 90 %), in days since 1970.

    Args:
        trace: [n, 6] steps of the filter: gains of level and noise, sd of the innovation, its score, memory over the
            step, level after it.
        day: [n] times.
        sigma: Marginal sd of the noise.
        room: [2] low and high limit minus (base + filtered level); NaN: that side never faults.
    """
    n = len(day)
    log_weight = np.full((n, SHAPES), -np.inf)
    size = np.zeros((n, SHAPES))
    spread = np.zeros((n, SHAPES))
    taken = np.zeros((n, SHAPES))
    for k in range(n - 1):
        for shape in range(SHAPES):
            d1 = d2 = t = v = 0.0
            for i in range(k + 1, n):
                d2 *= trace[i, 4]
                g = growth(shape, day[i] - day[k]) - d1 - d2
                d1 += trace[i, 0] * g
                d2 += trace[i, 1] * g
                t += g * trace[i, 3] / trace[i, 2]
                v += (g / trace[i, 2]) ** 2
            prior2 = (SIZE_SIGMAS[shape] * sigma) ** 2
            precision = v + 1 / prior2
            log_weight[k, shape] = 0.5 * t * t / precision - 0.5 * np.log(prior2 * precision) + SHAPE_PRIOR[shape]
            size[k, shape] = t / precision
            spread[k, shape] = 1 / np.sqrt(precision)
            taken[k, shape] = d1
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    now = day[n - 1]
    by_onset = weight.sum(axis=1)
    onset = np.empty(3)
    total = 0.0
    rate = 0.0
    q = 0
    for k in range(n - 1):
        total += by_onset[k]
        while q < 3 and total >= (0.05, 0.5, 0.95)[q]:
            onset[q] = day[k] if q == 0 else (day[k] + day[k + 1]) / 2 if q == 1 else day[k + 1]
            q += 1
        for shape in range(SHAPES):
            rate += weight[k, shape] * size[k, shape] * pace(shape, now - day[k])
    kept = 0
    dates = np.empty(n * SHAPES * len(POINTS))
    mass = np.empty(n * SHAPES * len(POINTS))
    for k in range(n - 1):
        for shape in range(SHAPES):
            if weight[k, shape] < LEAST_WEIGHT:
                continue
            for point in POINTS:
                a = size[k, shape] + point * spread[k, shape]
                limit = room[1] if a > 0 else room[0]
                date = np.inf
                if not np.isnan(limit):
                    date = max(now, day[k] + days_until(shape, limit / a + taken[k, shape]))
                dates[kept] = date
                mass[kept] = weight[k, shape]
                kept += 1
    mass = mass[:kept] / mass[:kept].sum()
    order = np.argsort(dates[:kept])
    out = np.empty(7)
    out[:3] = onset
    out[3] = rate
    for i in range(3):
        date = quantile(dates, mass, order, (0.1, 0.5, 0.9)[i])
        out[4 + i] = date if date <= now + FARTHEST_DAYS else np.nan
    return out
