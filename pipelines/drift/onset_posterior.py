"""After the alarm: since when, how fast, and when the limit is met; a posterior over onsets and laws of growth.

Every path of `growth_laws` from every onset of the epoch is weighed by the likelihood of the readings, with the level
unknown and the size of the change integrated out. How usual each law is the fleet's own alarms say; before there are
any, each is as usual as another.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.bands.band_tables import Bands
from pipelines.bands.normal import LEAST_SETTLED
from pipelines.bands.recalibration import blank_levels
from pipelines.bands.season import blank_peers
from pipelines.drift.alarm_rules import PATIENCE
from pipelines.drift.growth_laws import LAWS
from pipelines.drift.limit_dates import SCALES, law_fits, posterior, weigh
from pipelines.drift.onset_bank import empty_bank
from pipelines.drift.readings import PeerWeeks, Readings, fault_limits, filter_rows, health, moves, run_filter, seasons
from pipelines.drift.series import NO_TRACE, STEP, Output, blank_series
from pipelines.handover import Bools, Float32s, Float64s, Int32s, Int64s, Panel
from pipelines.threads import in_threads

USUAL_ALARMS = 20.0  # alarms that equal shares of the laws are worth; judgement
MOST_ALARMS = 400  # that shares are learned from; for speed
LEAST_CHANGE = (
    3.0  # log likelihood of any change against none, below which a level that was always far has held; judgement
)


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
    began in. far: for a level that was never known in health, older than the record. room: [2] low and high limit, less
    a step, minus (base + filtered level). way: times and km of all its readings.
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
    limits = np.array(fault_limits(c, panel)) + panel.resolution[c] * np.array([1, -1])  # within a step of it
    sigma = bands.normal.sigma[c]
    alarms = []
    for v in np.flatnonzero(series["alarm"]["on"]):
        of_vehicle = readings.at(slice(row_start[v], row_start[v + 1]))
        base, trace, began = _retraced(c, of_vehicle, panel, bands, weeks.of(int(v)))
        day = of_vehicle.times.day
        read = np.flatnonzero(np.isfinite(trace["sd"]))  # the newest epoch may not have been read yet
        first = read[of_vehicle.epoch[read] == of_vehicle.epoch[began]]
        newest = read[of_vehicle.epoch[read] == of_vehicle.epoch[read[-1]]]
        steps = newest if len(newest) >= LEAST_SETTLED else first  # too few tell of neither rate nor limit
        alarms.append(
            OpenAlarm(
                family=panel.family,
                correction=c,
                vehicle=int(v),
                alarm_at=float(day[began]),
                far=bool(series["alarm"]["far"][v]),
                sigma=float(sigma[of_vehicle.times.block[-1]] * of_vehicle.scale[-1]),
                room=limits - (base[steps[-1]] + trace["level"][steps[-1]]),
                trace=trace[steps],
                day=day[steps],
                since=(trace[first], day[first]),
                way=(day, panel.km[panel.row_start[v] : panel.row_start[v + 1]]),
            )
        )
    return alarms


def _retraced(
    c: int, readings: Readings, panel: Panel, bands: Bands, weeks: PeerWeeks
) -> tuple[Float64s, np.ndarray, int]:
    """[n] base and [n] steps of the filter, of all readings of one vehicle; the row at which its alarm began."""
    count = len(readings.values)
    start, end = np.array([0]), np.array([count])
    seasonal = seasons(
        c, readings, bands.normal, first=start, row_start=np.array([0, count]), peers=blank_peers(1), weeks=weeks
    )
    moved = moves(c, readings, seasonal[0], bands, first=start, row_start=np.array([0, count]), levels=blank_levels(1))
    rows, healthy = filter_rows(readings, seasonal, moved), health(c, panel, bands)
    trace = np.full(count, np.nan, dtype=STEP)
    numbers, flags = np.empty((5, count), dtype=np.float32), np.empty((2, count), dtype=np.bool_)
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
            began = _began(output.alarm, output.deviation, output.relearning, readings.epoch)
    return readings.anchor + seasonal[0], trace, began


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


def learned_shares(alarms: Sequence[OpenAlarm]) -> Float64s:
    """[LAWS, SCALES] log share of each law of growth among the alarms that stand; drawn to equal shares.

    They are the mean of what each alarm says by itself where all laws are alike: a few readings after an alarm laws
    hardly differ, and to go on from there (expectation-maximisation) lets a small misfit carry the shares off. One
    vehicle counts once, because one defect moves many corrections by one law. Of many alarms a sample is learned from.
    """
    usual = np.full((len(LAWS), len(SCALES)), 1 / len(LAWS) / len(SCALES))
    if len(alarms) > MOST_ALARMS:
        drawn = np.random.default_rng(1).choice(len(alarms), MOST_ALARMS, replace=False)
        alarms = [alarms[i] for i in np.sort(drawn)]
    counted = usual
    if alarms:
        belongs = np.array(in_threads(lambda alarm: law_fits(alarm.trace, alarm.day, alarm.sigma), alarms))
        vehicles = np.array([(alarm.family, alarm.vehicle) for alarm in alarms])
        _, which, count = np.unique(vehicles, axis=0, return_inverse=True, return_counts=True)
        counted = USUAL_ALARMS * usual + ((1 / count)[which.ravel()][:, None, None] * belongs).sum(axis=0)
    log_shares: Float64s = np.log(counted / counted.sum())
    return log_shares


def shares_shown(alarms: Sequence[OpenAlarm]) -> Float64s:
    """`learned_shares` of all standing alarms but those that say nothing of how changes grow."""
    return learned_shares([alarm for alarm in alarms if not alarm.far and len(alarm.day) > 1])


def conclude(families: Sequence[tuple[Panel, Sequence[OpenAlarm]]], shares: Float64s) -> list[Episodes]:
    """What is known of each standing alarm of each family, by `shares` of how changes grow."""
    return [
        _episodes(panel, alarms, in_threads(lambda alarm: _answer(alarm, shares), alarms)) for panel, alarms in families
    ]


def _answer(alarm: OpenAlarm, shares: Float64s) -> Float64s:
    """[7] as `posterior` gives it, the onset of the epoch that the alarm began in.

    What was far off at its first reading has no onset that anyone knows; as long as it has not moved since, no rate.
    One reading tells of neither.
    """
    trace, day = alarm.trace, alarm.day
    if alarm.far:  # its first readings only tell the filter where it stands
        trace, day = trace[LEAST_SETTLED:], day[LEAST_SETTLED:]
    if len(day) < 2 or (alarm.far and weigh(trace, day, alarm.sigma).log_weight.max() < LEAST_CHANGE):
        return np.array([np.nan, np.nan, np.nan, 0.0, np.nan, np.nan, np.nan])
    answer: Float64s = posterior(trace, day, alarm.sigma, alarm.room, shares)
    began_in = alarm.since[1]
    if len(began_in) < 2 or (alarm.far and alarm.alarm_at == began_in[0]):
        answer[:3] = np.nan
    elif began_in[0] != alarm.day[0]:
        answer[:3] = posterior(*alarm.since, alarm.sigma, alarm.room, shares)[:3]
    return answer


def _episodes(panel: Panel, alarms: Sequence[OpenAlarm], answers: Iterable[Float64s]) -> Episodes:
    episodes = Episodes.none(len(panel.codes), len(panel.vehicles))
    names = ("onset_low", "onset_at", "onset_high", "rate", "limit_p10", "limit_p50", "limit_p90")
    for alarm, answer in zip(alarms, answers, strict=True):
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
