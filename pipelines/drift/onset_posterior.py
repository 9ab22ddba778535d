"""After the alarm: since when, how fast, and when the limit is met; a posterior over onsets and shapes of growth.

A step, a ramp, a change that levels off and one that accelerates, each from every onset of the epoch, are weighed by
the likelihood of the readings with the level unknown and the size of the change integrated out.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numba
import numpy as np

from pipelines.bands.kept import Bands
from pipelines.bands.normal import LEAST_SETTLED
from pipelines.bands.recalibration import blank_levels
from pipelines.bands.season import blank_peers
from pipelines.drift.alarm_rules import PATIENCE
from pipelines.drift.onset_bank import empty_bank
from pipelines.drift.readings import PeerWeeks, Readings, fault_limits, filter_rows, health, moves, run_filter, seasons
from pipelines.drift.series import NO_TRACE, STEP, Output, blank_series
from pipelines.handover import Bools, Float32s, Float64s, Int32s, Int64s, Panel
from pipelines.threads import in_threads

SHAPES = 5  # step, ramp, accelerating (square), levelling off in a month, in three months
LEVELLING_DAYS = (30.0, 90.0)
SIZE_SIGMAS = np.array([4.0, 2.0, 1.0, 4.0, 6.0])  # prior sd of a change: sigmas, per 30 days, per 30 days squared
USUAL_SHAPES = np.array([0.2, 0.45, 0.25, 0.05, 0.05])
USUAL_WORTH = 20.0  # alarms that the usual shares are worth
ROUNDS = 10  # few: a flat likelihood must not carry the shares off
SCALES = np.array([0.25, 0.5, 1.0, 2.0])  # of the sizes above, each as usual as another
POINTS = np.array([-1.834, -1.221, -0.868, -0.588, -0.341, -0.112, 0.112, 0.341, 0.588, 0.868, 1.221, 1.834])
FARTHEST_DAYS = 3650.0  # a limit met later than this is not expected to be met
LEAST_WEIGHT = 1e-4
LEAST_CHANGE = (
    3.0  # log likelihood of any change against none, below which a level that was always far has held; judgement
)
# Where one law of growth is known to hold, the posterior's quantiles hold as often as they say. It hedges among laws of
# which a fleet has few, so that its 5 and 95 % hold 96 times in a hundred, its 10 and 90 % 88 times: these of its
# quantiles are what they are called (tests/benchmarks/drift_dates.py).
ONSETS_AT = (0.06, 0.5, 0.94)
DATES_AT = (0.13, 0.5, 0.87)


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


@dataclass(frozen=True, kw_only=True)
class OpenAlarm:
    """One standing alarm: its series (family, correction, vehicle), and what its shape and onset are learned from.

    trace, day: steps of the filter in the newest epoch, and their times. since: the same of the epoch that the alarm
    began in. far: for a level that was never known in health, older than the record. room: [2] low and high limit minus
    (base + filtered level). way: times and km of all its readings.
    """

    family: str
    correction: int
    vehicle: int
    alarm_at: float
    far: bool
    sigma: float
    room: Float64s
    trace: np.ndarray
    day: Float64s
    since: tuple[np.ndarray, Float64s]
    way: tuple[Float64s, Float64s]


def open_alarms(
    c: int, *, panel: Panel, readings: Readings, row_start: Int64s, bands: Bands, weeks: PeerWeeks, series: np.ndarray
) -> list[OpenAlarm]:
    """Every alarm of correction c that stands at its vehicle's last reading.

    Args:
        c: Index of the correction.
        panel: The family's, whole.
        readings: All of the correction, of vehicles with an alarm at least.
        row_start: [V + 1] of these readings.
        bands: The family's.
        weeks: What peers do together, week by week.
        series: [V] of the filter's `SERIES`, after the last reading.
    """
    limits = np.array(fault_limits(c, panel))
    sigma = bands.normal.sigma[c]
    found = []
    for v in np.flatnonzero(series["alarm"]["on"]):
        mine = readings.at(slice(row_start[v], row_start[v + 1]))
        base, trace, began = _retraced(c, mine, panel, bands, weeks.of(int(v)))
        day = mine.times.day
        read = np.flatnonzero(np.isfinite(trace["sd"]))  # the newest epoch may not have been read yet
        first = read[mine.epoch[read] == mine.epoch[began]]
        newest = read[mine.epoch[read] == mine.epoch[read[-1]]]
        kept = newest if len(newest) >= LEAST_SETTLED else first  # too few tell of neither rate nor limit
        found.append(
            OpenAlarm(
                family=panel.family,
                correction=c,
                vehicle=int(v),
                alarm_at=float(day[began]),
                far=bool(series["alarm"]["far"][v]),
                sigma=float(sigma[mine.times.block[-1]] * mine.scale[-1]),
                room=limits - (base[kept[-1]] + trace["level"][kept[-1]]),
                trace=trace[kept],
                day=day[kept],
                since=(trace[first], day[first]),
                way=(day, panel.km[panel.row_start[v] : panel.row_start[v + 1]]),
            )
        )
    return found


def _retraced(c: int, mine: Readings, panel: Panel, bands: Bands, weeks: PeerWeeks) -> tuple[Float64s, np.ndarray, int]:
    """[n] base and [n] steps of the filter, of all readings of one vehicle; the row at which its alarm began."""
    count = len(mine.values)
    start, end = np.array([0]), np.array([count])
    seasonal = seasons(
        c, mine, bands.normal, first=start, row_start=np.array([0, count]), peers=blank_peers(1), weeks=weeks
    )
    moved = moves(c, mine, seasonal[0], bands, first=start, row_start=np.array([0, count]), levels=blank_levels(1))
    rows, healthy = filter_rows(mine, seasonal, moved), health(c, panel, bands)
    trace = np.full(count, np.nan, dtype=STEP)
    numbers, flags = np.empty((4, count), dtype=np.float32), np.empty((2, count), dtype=np.bool_)
    output = Output(*numbers, *flags)
    began = 0
    for steps in (NO_TRACE, trace):  # as it was judged, and then with innovations that strain no healthy tail
        run_filter(
            rows,
            healthy,
            first=start,
            last=end,
            series=blank_series(1),
            onsets=empty_bank(0),
            output=output,
            trace=steps,
        )
        if not len(steps):
            began = _began(output.alarm, output.deviation, output.relearning, mine.epoch)
    return mine.anchor + seasonal[0], trace, began


def _began(alarm: Bools, deviation: Float32s, relearning: Bools, epoch: Int32s) -> int:
    """Row at which the alarm was raised that stands at the last; an epoch that it stood before ends it no more.

    Between its end with an epoch and its coming back to the same side lie few settled readings.
    """
    began = len(alarm) - 1
    while True:
        while began > 0 and alarm[began - 1]:
            began -= 1
        before = np.flatnonzero(alarm[:began])
        if not len(before):
            return began
        last = int(before[-1])
        broken = epoch[last + 1] != epoch[last]
        back = (~relearning[last + 1 : began]).sum() <= LEAST_SETTLED + PATIENCE
        if not (broken and back and deviation[last] * deviation[began] > 0):
            return began
        began = last


def learned_kinds(found: Sequence[OpenAlarm]) -> Float64s:
    """[SHAPES, SCALES] log share of each kind of change among the alarms that stand; drawn to the usual ones.

    One vehicle counts once, because one defect moves many corrections by one law. Expectation-maximisation of a
    mixture's weights (Dempster, Laird and Rubin 1977).
    """
    usual = np.repeat(USUAL_SHAPES[:, None], len(SCALES), axis=1) / len(SCALES)
    shares = usual
    if found:
        fits = np.array(in_threads(lambda alarm: kind_fits(alarm.trace, alarm.day, alarm.sigma), found))
        likelihood = np.exp(fits - fits.max(axis=(1, 2), keepdims=True))
        vehicles = np.array([(alarm.family, alarm.vehicle) for alarm in found])
        _, which, count = np.unique(vehicles, axis=0, return_inverse=True, return_counts=True)
        weight = (1 / count)[which.ravel()][:, None, None]
        for _ in range(ROUNDS):
            belongs = likelihood * shares
            belongs /= belongs.sum(axis=(1, 2), keepdims=True)
            counted = USUAL_WORTH * usual + (weight * belongs).sum(axis=0)
            shares = counted / counted.sum()
    log_shares: Float64s = np.log(shares)
    return log_shares


def conclude(families: Sequence[tuple[Panel, Sequence[OpenAlarm]]]) -> list[Episodes]:
    """What is known of each standing alarm of each family; how changes grow is learned from all of them."""
    kinds = learned_kinds([alarm for _, found in families for alarm in found if not alarm.far])
    return [
        _episodes(panel, found, in_threads(lambda alarm: _answer(alarm, kinds), found)) for panel, found in families
    ]


def _answer(alarm: OpenAlarm, kinds: Float64s) -> Float64s:
    """[7] as `posterior` gives it, the onset of the epoch that the alarm began in.

    What was far off at its first reading has no onset that anyone knows; as long as it has not moved since, no rate.
    """
    trace, day = alarm.trace, alarm.day
    if alarm.far:  # its first readings only tell the filter where it stands
        trace, day = trace[LEAST_SETTLED:], day[LEAST_SETTLED:]
        if len(day) < 2 or weigh(trace, day, alarm.sigma)[0].max() < LEAST_CHANGE:
            return np.array([np.nan, np.nan, np.nan, 0.0, np.nan, np.nan, np.nan])
    answer: Float64s = posterior(trace, day, alarm.sigma, alarm.room, kinds)
    if alarm.since[1][0] != alarm.day[0]:
        answer[:3] = posterior(*alarm.since, alarm.sigma, alarm.room, kinds)[:3]
    if alarm.far and alarm.alarm_at == alarm.since[1][0]:
        answer[:3] = np.nan
    return answer


def _episodes(panel: Panel, found: Sequence[OpenAlarm], answers: Iterable[Float64s]) -> Episodes:
    episodes = Episodes.none(len(panel.codes), len(panel.vehicles))
    names = ("onset_low", "onset_at", "onset_high", "rate", "limit_p10", "limit_p50", "limit_p90")
    for alarm, answer in zip(found, answers, strict=True):
        at = alarm.correction, alarm.vehicle
        episodes.alarm_at[at] = alarm.alarm_at
        for name, value in zip(names, answer, strict=True):
            getattr(episodes, name)[at] = value
        episodes.rate_per_1000km[at] = answer[3] / _thousand_km_per_30_days(*alarm.way, answer[1])
    return episodes


def _thousand_km_per_30_days(day: Float64s, km: Float64s, onset: float) -> float:
    """How far the vehicle went since the onset (a month at least), in 1,000 km per 30 days; NaN: not known."""
    known = np.flatnonzero(np.isfinite(km))
    if len(known) < 2:
        return np.nan
    since = min(onset, day[known[-1]] - 30) if np.isfinite(onset) else day[known[-1]] - 30
    first = known[min(np.searchsorted(day[known], since), len(known) - 2)]
    went, took = km[known[-1]] - km[first], day[known[-1]] - day[first]
    return went / 1000 / took * 30 if went > 0 and took > 0 else np.nan


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
def weigh(trace, day, sigma):  # type: ignore[no-untyped-def]
    """Log likelihood of a change of every kind after each reading, its size, the sd of that, what the level took in.

    Args:
        trace: [n] of `STEP`: what the filter did.
        day: [n] times.
        sigma: Marginal sd of the noise.

    Returns:
        Four of [n, SHAPES, SCALES]; the likelihood is -inf after the last reading. Of a change of unit size, the level
        took in the fourth.
    """
    n = len(day)
    kinds = (n, SHAPES, len(SCALES))
    log_weight = np.full(kinds, -np.inf)
    size, spread, taken = np.zeros(kinds), np.zeros(kinds), np.zeros(kinds)
    grown, left = np.ones(SHAPES), np.empty(SHAPES)
    fade = np.empty((n, SHAPES))
    for i in range(1, n):
        for shape in range(3, SHAPES):
            fade[i, shape] = np.exp((day[i - 1] - day[i]) / LEVELLING_DAYS[shape - 3])
    d1, d2, t, v = np.empty(SHAPES), np.empty(SHAPES), np.empty(SHAPES), np.empty(SHAPES)
    for k in range(n - 1):
        d1[:] = d2[:] = t[:] = v[:] = 0.0
        left[:] = 1.0
        for i in range(k + 1, n):
            grown[1] = (day[i] - day[k]) / 30
            grown[2] = grown[1] ** 2
            for shape in range(3, SHAPES):
                left[shape] *= fade[i, shape]
                grown[shape] = 1 - left[shape]
            for shape in range(SHAPES):
                d2[shape] *= trace[i].memory
                g = grown[shape] - d1[shape] - d2[shape]
                d1[shape] += trace[i].level_gain * g
                d2[shape] += trace[i].noise_gain * g
                g /= trace[i].sd
                t[shape] += g * trace[i].score
                v[shape] += g * g
        for shape in range(SHAPES):
            for scale in range(len(SCALES)):
                prior2 = (SIZE_SIGMAS[shape] * SCALES[scale] * sigma) ** 2
                precision = v[shape] + 1 / prior2
                log_weight[k, shape, scale] = 0.5 * t[shape] ** 2 / precision - 0.5 * np.log(prior2 * precision)
                size[k, shape, scale] = t[shape] / precision
                spread[k, shape, scale] = 1 / np.sqrt(precision)
                taken[k, shape, scale] = d1[shape]
    return log_weight, size, spread, taken


@numba.njit(cache=True, nogil=True)
def kind_fits(trace, day, sigma):  # type: ignore[no-untyped-def]
    """[SHAPES, SCALES] log likelihood of each kind of change with its onset integrated out, up to a constant."""
    log_weight = weigh(trace, day, sigma)[0]
    top = log_weight.max()
    return top + np.log(np.exp(log_weight - top).sum(axis=0) + 1e-300)


@numba.njit(cache=True, nogil=True)
def posterior(trace, day, sigma, room, kinds):  # type: ignore[no-untyped-def]
    """Onset (5, 50, 95 %), rate per 30 days, and limit dates (10, 50, 90 %), in days since 1970.

    Args:
        trace: [n] of `STEP`: what the filter did.
        day: [n] times.
        sigma: Marginal sd of the noise.
        room: [2] low and high limit minus (base + filtered level); NaN: that side never faults.
        kinds: [SHAPES, SCALES] log share of each kind.
    """
    n = len(day)
    log_weight, size, spread, taken = weigh(trace, day, sigma)
    log_weight += kinds
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    now = day[n - 1]
    by_onset = weight.sum(axis=2).sum(axis=1)
    onset = np.empty(3)
    total = 0.0
    rate = 0.0
    q = 0
    for k in range(n - 1):
        total += by_onset[k]
        while q < 3 and total >= ONSETS_AT[q]:  # anywhere between two readings it is as likely
            back = (total - ONSETS_AT[q]) / by_onset[k]
            onset[q] = day[k + 1] - back * (day[k + 1] - day[k])
            q += 1
        for shape in range(SHAPES):
            rate += (weight[k, shape] * size[k, shape]).sum() * pace(shape, now - day[k])
    kept = 0
    dates = np.empty(weight.size * len(POINTS))
    mass = np.empty(weight.size * len(POINTS))
    for k, shape, scale in np.ndindex(weight.shape):
        if weight[k, shape, scale] < LEAST_WEIGHT:
            continue
        for point in POINTS:
            a = size[k, shape, scale] + point * spread[k, shape, scale]
            limit = room[1] if a > 0 else room[0]
            date = np.inf
            if not np.isnan(limit):
                date = max(now, day[k] + days_until(shape, limit / a + taken[k, shape, scale]))
            dates[kept] = date
            mass[kept] = weight[k, shape, scale]
            kept += 1
    mass = mass[:kept] / mass[:kept].sum()
    order = np.argsort(dates[:kept])
    out = np.empty(7)
    out[:3] = onset
    out[3] = rate
    for i in range(3):
        date = quantile(dates, mass, order, DATES_AT[i])
        out[4 + i] = date if date <= now + FARTHEST_DAYS else np.nan
    return out
