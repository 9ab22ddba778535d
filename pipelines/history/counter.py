"""A counter that should only rise, stitched over restarts, exchanges, unit slips and misreadings.

In: the readings of one counter (a module's clock, an odometer) as arrays over all vehicles. Out: its running total.
Every total uses readings up to its own row alone, so a later reading never changes an earlier total. Only whether the
counter restarted or was misread as zero is settled by the reading after it.
"""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.handover import Bools, Float64s, Int64s
from pipelines.threads import in_threads

SKIPPED, COUNTED, RESTARTED, MISREAD, NEW_TRACK, RESUMED, OTHER_UNIT = range(7)  # what a row was: definition
BY_GUIDE, BY_TIME = 0.5, 0.2  # trust in an hour estimated by the other counter, or by calendar time alone; judgement
ZONES_H = 26.0  # readings may be stamped in zones up to 26 hours apart; UTC-12 to UTC+14; definition
USUAL_TIMES = 3.0  # a counter read in another unit must go on within so many times its usual rate; judgement

# A track is a course that the counter was seen on: its last value there, when, total minus value, unit factor;
# definition.
VALUE, AT, OFFSET, FACTOR = range(4)
NOW, BEFORE, DOUBT = range(3)  # tracks that are kept: definition
# Sums of one vehicle at its last counted row: total, its trusted part, when, the guide then; and what the usual rates
# come from: counted and the time it took, counted beside the guide and the guide's rise; definition.
TOTAL, TRUSTED, SURE_AT, SURE_GUIDE, RISEN, RISEN_TIME, GUIDED, GUIDED_BY = range(8)


@dataclass(frozen=True, kw_only=True)
class CounterRules:
    """How one kind of counter behaves."""

    max_rate: float  # most it can rise in an hour of calendar time
    tolerance: float  # what it may fall by rounding
    zero_restart: bool  # starts again at zero when the power is lost
    factors: tuple[float, ...]  # other units it may suddenly be read in, as factors to its own


@dataclass(frozen=True, kw_only=True)
class Stitched:
    """A counter's running total, row by row.

    total: counted since the first reading of the vehicle, unit of the counter; never falls; NaN: nothing known yet.
    confidence: share of the total that was counted rather than estimated, 0 to 1.
    event: what happened at the row (`COUNTED`, `RESTARTED`, ...).
    offset: total minus the counter (in its own unit) from this row on; NaN before the first count.
    """

    total: Float64s
    confidence: Float64s
    event: Int64s
    offset: Float64s


def stitch(
    row_start: Int64s, at_hours: Float64s, counter: Float64s, guide: Float64s, fresh: Bools, *, rules: CounterRules
) -> Stitched:
    """Running total of a counter over all vehicles.

    Args:
        row_start: [V + 1], rows of vehicle v are row_start[v]:row_start[v + 1].
        at_hours: [R], calendar time of the row in hours, rising within a vehicle.
        counter: [R], what was read; NaN: not read.
        guide: [R], running total of something that rises with it (kilometres for hours); NaN: not known.
        fresh: [R], the counting device was exchanged since the row before: start on its new value without doubt.
        rules: How this counter behaves.

    Returns:
        Totals from 0 at the first row of each vehicle, aligned with the input.
    """
    rows = at_hours.size
    out = Stitched(
        total=np.full(rows, np.nan),
        confidence=np.zeros(rows),
        event=np.zeros(rows, np.int64),
        offset=np.full(rows, np.nan),
    )
    factors = np.array((1.0, *rules.factors))
    numbers = np.array([rules.max_rate, rules.max_rate * ZONES_H, rules.tolerance, float(rules.zero_restart)])
    counter = np.require(counter, requirements=["C", "W"])  # a frame's own may be read only: one kind for the kernel
    half = row_start.size // 2
    in_threads(
        lambda part: _stitch(
            part, at_hours, counter, guide, fresh, numbers, factors, out.total, out.confidence, out.event, out.offset
        ),
        (row_start[: half + 1], row_start[half:]),
    )
    return out


@numba.njit(cache=True, nogil=True)
def _stitch(  # type: ignore[no-untyped-def]  # noqa: PLR0917
    row_start, at, counter, guide, fresh, rules, factors, total, confidence, event, offset
):
    tracks, sums = np.empty((3, 4)), np.empty(8)
    for v in range(row_start.size - 1):
        tracks[:] = np.nan
        sums[:] = 0.0
        running, restart = 0.0, -1  # row of a restart that the next reading has not confirmed yet
        for r in range(row_start[v], row_start[v + 1]):
            if r == row_start[v]:
                sums[SURE_AT], sums[SURE_GUIDE] = at[r], guide[r]
            rise, trust = _estimate(sums, at[r], guide[r])
            if not np.isnan(counter[r]):
                event[r], factor = _judge(tracks, sums, counter[r], at[r], fresh[r], restart >= 0, rules, factors)
                if event[r] == MISREAD:
                    _set(tracks, DOUBT, counter[r] * factor, at[r], np.nan, factor)
                else:
                    rise, trust = _follow(
                        tracks, sums, event[r], factor, counter[r], at[r], guide[r], rise, trust, restart >= 0, rules
                    )  # fmt: skip
                    sums[TOTAL] += rise
                    sums[TRUSTED] += trust * rise
                    sums[SURE_AT], sums[SURE_GUIDE] = at[r], guide[r]
                    rise = 0.0
                    if restart >= 0 and event[r] == RESUMED:  # the clock was not at zero, it was misread
                        event[restart], event[r] = MISREAD, COUNTED
                    restart = r if event[r] == RESTARTED else -1
            running = max(running, sums[TOTAL] + rise)
            total[r] = running
            offset[r] = tracks[NOW, OFFSET]
            if running > 0.0:
                confidence[r] = min((sums[TRUSTED] + trust * (running - sums[TOTAL])) / running, 1.0)
            elif not np.isnan(tracks[NOW, VALUE]):
                confidence[r] = 1.0


@numba.njit(cache=True, nogil=True)
def _set(tracks, which, value, at, offset, factor):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    tracks[which, VALUE] = value
    tracks[which, AT] = at
    tracks[which, OFFSET] = offset
    tracks[which, FACTOR] = factor


@numba.njit(cache=True, nogil=True)
def _estimate(sums, at, guide):  # type: ignore[no-untyped-def]
    """Rise since the last counted row: by the guide at its usual rate, else by time; and the trust in it."""
    if sums[GUIDED_BY] > 0.0 and guide >= sums[SURE_GUIDE]:  # false where either is NaN
        return sums[GUIDED] / sums[GUIDED_BY] * (guide - sums[SURE_GUIDE]), BY_GUIDE
    if sums[RISEN_TIME] > 0.0:
        return sums[RISEN] / sums[RISEN_TIME] * (at - sums[SURE_AT]), BY_TIME
    return 0.0, BY_TIME


@numba.njit(cache=True, nogil=True)
def _fits(tracks, which, reading, at, rules):  # type: ignore[no-untyped-def]
    """Whether the reading can be the track's next; never for a track that was not begun."""
    step = reading * tracks[which, FACTOR] - tracks[which, VALUE]
    return -rules[2] <= step <= rules[0] * (at - tracks[which, AT]) + rules[1]


@numba.njit(cache=True, nogil=True)
def _judge(tracks, sums, reading, at, fresh, restarted, rules, factors):  # type: ignore[no-untyped-def]  # noqa: PLR0911, PLR0917
    """What the reading is, and the unit factor that it is read with."""
    last, factor = tracks[NOW, VALUE], tracks[NOW, FACTOR]
    if np.isnan(last):
        return NEW_TRACK, 1.0
    back = _fits(tracks, BEFORE, reading, at, rules)
    if fresh and not back:
        return NEW_TRACK, 1.0
    value, elapsed = reading * factor, at - tracks[NOW, AT]
    usual = 0.0
    if sums[RISEN_TIME] > 0.0:
        usual = USUAL_TIMES * sums[RISEN] / sums[RISEN_TIME]
    if not fresh and _fits(tracks, NOW, reading, at, rules):
        zero = restarted and back and _was_no_restart(tracks, value, reading, at, usual, rules)
        return (RESUMED, tracks[BEFORE, FACTOR]) if zero else (COUNTED, factor)
    if back:
        return RESUMED, tracks[BEFORE, FACTOR]
    if _fits(tracks, DOUBT, reading, at, rules):
        return NEW_TRACK, 1.0
    other = _other_unit(reading, last, usual * elapsed + rules[2], rules, factors)
    if not np.isnan(other):
        return OTHER_UNIT, other
    if rules[3] > 0.0 and value < last and value <= rules[0] * elapsed + rules[1]:
        return RESTARTED, factor
    return MISREAD, factor


@numba.njit(cache=True, nogil=True)
def _other_unit(reading, last, most, rules, factors):  # type: ignore[no-untyped-def]
    """The unit factor with which the reading goes on from the last as usual; NaN: none."""
    for factor in factors:
        if -rules[2] <= reading * factor - last <= most and most > rules[2]:
            return factor
    return np.nan


@numba.njit(cache=True, nogil=True)
def _was_no_restart(tracks, value, reading, at, usual, rules):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Whether a value after a restart goes on as usual from before it, and much faster than usual from the restart."""
    since_restart = value - tracks[NOW, VALUE]
    since_before = reading * tracks[BEFORE, FACTOR] - tracks[BEFORE, VALUE]
    unusual = since_restart > usual * (at - tracks[NOW, AT]) + rules[2]
    return unusual and since_before <= usual * (at - tracks[BEFORE, AT]) + rules[2]


@numba.njit(cache=True, nogil=True)
def _follow(tracks, sums, event, factor, reading, at, guide, rise, trust, restarted, rules):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take the reading as the track's newest; the rise since the last counted row, and the trust in it.

    At a restart the new value itself was counted, and the rest of the usual rise since is estimated.
    """
    last, last_at, offset = tracks[NOW, VALUE], tracks[NOW, AT], tracks[NOW, OFFSET]
    value = reading * factor
    if event == COUNTED and at > last_at:
        sums[RISEN] += max(value - last, 0.0)
        sums[RISEN_TIME] += at - last_at
        if guide > sums[SURE_GUIDE] and last_at == sums[SURE_AT]:
            sums[GUIDED] += max(value - last, 0.0)
            sums[GUIDED_BY] += guide - sums[SURE_GUIDE]
    if event == RESTARTED:
        counted = max(value, 0.0)
        rise = min(max(rise, counted), rules[0] * (at - last_at) + rules[1])
        trust = (counted + trust * (rise - counted)) / rise if rise > 0.0 else 1.0
    if event in (RESTARTED, NEW_TRACK):
        new_offset = sums[TOTAL] + rise - value
    else:
        new_offset = tracks[BEFORE, OFFSET] if event == RESUMED else offset
        rise, trust = max(value + new_offset - sums[TOTAL], 0.0), 1.0
    if event in (RESUMED, NEW_TRACK, RESTARTED):
        _set(tracks, BEFORE, last, last_at, offset, tracks[NOW, FACTOR])
    elif restarted:  # and confirmed
        _set(tracks, BEFORE, np.nan, np.nan, np.nan, 1.0)
    _set(tracks, NOW, value, at, new_offset, factor)
    _set(tracks, DOUBT, np.nan, np.nan, np.nan, 1.0)
    return rise, trust
