"""A counter that should only rise, stitched over restarts, exchanges, unit slips and misreadings.

In: the readings of one counter (a module's clock, an odometer) as arrays over all vehicles. Out: its running total.
Every total uses readings up to its own row alone, so a later reading never changes an earlier total.
"""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.handover import Bools, Float64s, Int64s

SKIPPED, COUNTED, RESTARTED, MISREAD, NEW_TRACK, RESUMED, OTHER_UNIT = range(7)
BY_GUIDE, BY_TIME = 0.5, 0.2  # trust in an hour estimated by the other counter, or by calendar time alone


@dataclass(frozen=True, kw_only=True)
class CounterRules:
    """How one kind of counter behaves."""

    max_rate: float  # most it can rise in an hour of calendar time
    slack: float  # what it may rise beyond that: readings are stamped in wrong time zones
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
    return Stitched(
        **dict(
            zip(
                ("total", "confidence", "event", "offset"),
                _stitch(
                    row_start,
                    at_hours,
                    counter,
                    guide,
                    fresh,
                    rules.max_rate,
                    rules.slack,
                    rules.tolerance,
                    rules.zero_restart,
                    np.array((1.0, *rules.factors)),
                ),
                strict=True,
            )
        )
    )


@numba.njit(cache=True, nogil=True)
def _fits(value, at, last_value, last_at, max_rate, slack, tolerance):  # type: ignore[no-untyped-def]
    """Whether a counter that stood at last_value can stand at value now."""
    step = value - last_value
    return -tolerance <= step <= max_rate * (at - last_at) + slack


@numba.njit(cache=True, nogil=True)
def _estimate(at, guide, last_at, last_guide, by_guide, by_time):  # type: ignore[no-untyped-def]
    """Rise since the last row where nothing was counted: by the guide, else by time; with the trust in it."""
    if by_guide >= 0.0 and guide >= last_guide:  # false where either is NaN
        return by_guide * (guide - last_guide), BY_GUIDE
    if by_time >= 0.0:
        return by_time * (at - last_at), BY_TIME
    return 0.0, BY_TIME


@numba.njit(cache=True, nogil=True)
def _stitch(row_start, at, counter, guide, fresh, max_rate, slack, tolerance, zero_restart, factors):  # type: ignore[no-untyped-def]  # noqa: C901, PLR0912
    rows = at.size
    total, confidence = np.full(rows, np.nan), np.zeros(rows)
    event, offsets = np.zeros(rows, np.int64), np.full(rows, np.nan)
    for v in range(row_start.size - 1):
        first = row_start[v]
        running, trusted = 0.0, 0.0  # total so far, and its trusted part
        sure, sure_trusted = 0.0, 0.0  # both at the last counted row
        sure_at, sure_guide = np.nan, np.nan
        counted, counted_time, guided, guided_by = 0.0, 0.0, 0.0, 0.0
        seen, has_before, has_doubt = False, False, False
        last, last_at, offset, factor = 0.0, 0.0, 0.0, 1.0
        before, before_at, before_offset, before_factor = 0.0, 0.0, 0.0, 1.0
        doubt, doubt_at = 0.0, 0.0
        for r in range(first, row_start[v + 1]):
            if r == first:
                sure_at, sure_guide = at[r], guide[r]
            by_guide = guided / guided_by if guided_by > 0.0 else -1.0
            by_time = counted / counted_time if counted_time > 0.0 else -1.0
            rise, trust = _estimate(at[r], guide[r], sure_at, sure_guide, by_guide, by_time)
            what = SKIPPED
            if not np.isnan(counter[r]):
                value = counter[r] * factor
                if not seen:
                    what = NEW_TRACK
                elif fresh[r]:
                    what = NEW_TRACK
                    if has_before and _fits(
                        counter[r] * before_factor, at[r], before, before_at, max_rate, slack, tolerance
                    ):
                        what = RESUMED
                elif _fits(value, at[r], last, last_at, max_rate, slack, tolerance):
                    what = COUNTED
                elif has_before and _fits(
                    counter[r] * before_factor, at[r], before, before_at, max_rate, slack, tolerance
                ):
                    what = RESUMED
                elif zero_restart and value < last and value <= max_rate * (at[r] - last_at) + slack:
                    what = RESTARTED
                else:
                    what = MISREAD
                    for other in factors:
                        if _fits(counter[r] * other, at[r], last, last_at, max_rate, slack, tolerance):
                            what, factor = OTHER_UNIT, other
                            break
                    if (
                        what == MISREAD
                        and has_doubt
                        and _fits(value, at[r], doubt, doubt_at, max_rate, slack, tolerance)
                    ):
                        what = NEW_TRACK
                if what == RESUMED:
                    before, last = last, before
                    before_at, last_at = last_at, before_at
                    before_offset, offset = offset, before_offset
                    before_factor, factor = factor, before_factor
                if what in (COUNTED, RESUMED, OTHER_UNIT):
                    value = counter[r] * factor
                    step = max(value - last, 0.0)
                    if what == COUNTED and at[r] > last_at:
                        counted += step
                        counted_time += at[r] - last_at
                        if guide[r] > sure_guide and last_at == sure_at:
                            guided += step
                            guided_by += guide[r] - sure_guide
                    rise = max(value + offset - sure, 0.0)
                    trust = 1.0
                elif what in (RESTARTED, NEW_TRACK):
                    if what == RESTARTED:
                        most = max_rate * (at[r] - last_at) + slack
                        known = max(value, 0.0)
                        rise = min(max(rise, known), most)
                        trust = (known + trust * (rise - known)) / rise if rise > 0.0 else 1.0
                    elif seen:
                        has_before = True
                        before, before_at, before_offset, before_factor = last, last_at, offset, factor
                        factor, value = 1.0, counter[r]
                    offset = sure + rise - value
                if what == MISREAD:
                    doubt, doubt_at, has_doubt = value, at[r], True
                else:
                    last, last_at, seen, has_doubt = value, at[r], True, False
                    sure_trusted += trust * rise
                    sure += rise
                    sure_at, sure_guide = at[r], guide[r]
                    rise = 0.0
            running = max(running, sure + rise)
            trusted = sure_trusted + trust * (running - sure)
            event[r] = what
            total[r] = running
            offsets[r] = offset if seen else np.nan
            if running > 0.0:
                confidence[r] = min(trusted / running, 1.0)
            else:
                confidence[r] = 1.0 if seen else 0.0
    return total, confidence, event, offsets
