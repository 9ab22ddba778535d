"""What a vehicle's corrections say of their limits: leeway now and ahead, and the first passage with its uncertainty.

Level and slope of a correction are those of the line through its newest readings (`trend`); whether it strays at all
is the drift stage's to say. Each side that can set a fault and has not is looked at on its own.
"""

import math
from typing import Any, NamedTuple

import numba
import numpy as np

from pipelines.forecast.limit_hazard import LEAST_SIGMAS, Nearing
from pipelines.forecast.origins import read_days
from pipelines.forecast.time_grid import ENDS, MIDDLES
from pipelines.forecast.trend import MOST, SLOPE_SHARE, line, newest_readings, noise_variance, since_jump
from pipelines.handover import Bools, FamilyDrift, Float64s, Int64s

NO_MARGIN = -99.0  # of a row without evidence; any number below what can be; definition
LONGEST_DAYS = 3650.0  # to a limit; farther, or never: judgement
SOON_DAYS = 30.0  # ahead by which the foremost correction of a kind is judged; judgement
LEAST_SHARE = 1e-3  # belief in a jump, or in none, below which it is not followed; judgement
# Summary of a row. leeway, newest_leeway: least, %, by the drift stage and by the line through the newest readings.
# days_to_limit. largest, second, towards: deviations in sigmas, the last towards a fault. margin, severity: largest
# evidence beyond its threshold, and over it. alarms: corrections in alarm. loss: of leeway, % a day. leading, side:
# correction that leads, -1: none, and its side, -1 or 1, or 0.
SUMMARY = np.dtype(
    [
        (name, "f8")
        for name in (
            "leeway", "newest_leeway", "days_to_limit", "largest", "second", "towards", "margin", "severity", "alarms",
            "loss", "leading", "side",
        )
    ],
    align=True,
)  # fmt: skip


class Known(NamedTuple):
    """What is known of a family's readings, [R, C] but for `day`, as in `Panel` and `FamilyDrift`."""

    values: Any
    epoch: Any
    day: Any
    deviation: Any
    z: Any
    leeway: Any
    evidence: Any
    alarm: Any
    relearning: Any


class Noise(NamedTuple):
    """How much healthy readings scatter and when that is an alarm: [C], but for `scale` [R, C]; as in `FamilyDrift`."""

    sigma: Any
    scale: Any
    memory_days: Any
    threshold: Any


class Sides(NamedTuple):
    """Where the sides of corrections lie: low, then high.

    limits: [2, C]. resolution: [C]. centre: [n, C] from which the authority is reckoned. ruled_out: [2, n, C] whether
    no fault can be set there.
    """

    limits: Any
    resolution: Any
    centre: Any
    ruled_out: Any


class Kinds(NamedTuple):
    """number: [C] of each correction's kind. used, rate: as in `Nearing`, [n, sides]; filled."""

    number: Any
    used: Any
    rate: Any


class Steps(NamedTuple):
    """Steps ahead, [L] each: their ends and middles in days; and what is filled of one side.

    passed: probability that the limit is met by the end of each. left: leeway in its middle, %.
    """

    ends: Any
    middles: Any
    passed: Any
    left: Any


class Side(NamedTuple):
    """One side of a correction at a reading: leeway left in %, days to the limit, loss of leeway in % a day."""

    left: float
    lasts: float
    loss: float


def summarise_rows(
    family: FamilyDrift, rows: Int64s, centre: Float64s, *, stale_days: Float64s, done_low: Bools, done_high: Bools,
    kind: Int64s, kinds: int,
) -> tuple[np.ndarray, Float64s, Float64s, Nearing]:  # fmt: skip
    """What each vehicle's corrections say of its limits at some readings.

    Args:
        family: The family's drift.
        rows: Readings, indices into the panel, [n].
        centre: The family's normal level as known at each, from which the authority is reckoned, [n, C].
        stale_days: Age of each reading at the time of forecasting, d, [n].
        done_low: Corrections whose fault on the low side stands already and can't be set anew, [n, C].
        done_high: The same for the high side, [n, C].
        kind: Number of each correction's kind, [C].
        kinds: How many there are.

    Returns:
        Summaries, [n] of `SUMMARY`, the probability that any correction meets its limit by the end of each step ahead,
        [n, L], the least leeway in the middle of each, were all to go on as now, %, [n, L], and how near the limits are
        by kind.
    """
    panel = family.panel
    known = Known(
        panel.values, panel.epoch, read_days(family), family.deviation, family.z, family.leeway, family.evidence,
        family.alarm, family.relearning,
    )  # fmt: skip
    noise = Noise(family.sigma, family.scale, family.memory_days, family.threshold)
    sides = Sides(
        np.stack([panel.low_limit, panel.high_limit]), panel.resolution, centre,
        np.stack([done_low | ~panel.can_fault_low, done_high | ~panel.can_fault_high]),
    )  # fmt: skip
    first_row = panel.row_start[np.searchsorted(panel.row_start, rows, side="right") - 1]
    steps = Steps(ENDS, MIDDLES, np.empty(len(ENDS)), np.empty(len(ENDS)))
    summaries = np.zeros(len(rows), SUMMARY)
    passage, ahead = np.zeros((len(rows), len(ENDS))), np.full((len(rows), len(ENDS)), 100.0)
    used, rate = np.zeros((2, len(rows), 2 * kinds), dtype=np.float32)
    nearest = Kinds(kind, used, rate)
    _summarise(known, noise, sides, steps, nearest, rows, first_row, stale_days, summaries, passage, ahead)
    return summaries, passage, ahead, Nearing(used=used, rate=rate, stale=stale_days)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _summarise(  # type: ignore[no-untyped-def]  # noqa: C901, PLR0917 - one pass over rows, corrections, sides
    known, noise, sides, steps, nearest, rows, first_row, stale, summaries, passage, ahead
):
    """Fill what `summarise_rows` returns."""
    times, levels = np.empty(MOST), np.empty(MOST)
    survive = np.empty(len(steps.ends))
    for i in range(len(rows)):
        r, row = rows[i], summaries[i]
        row.leeway, row.newest_leeway, row.days_to_limit = 100.0, 100.0, LONGEST_DAYS
        row.margin, row.leading = NO_MARGIN, -1.0
        most = 0.0
        survive[:] = 1.0
        for c in range(known.z.shape[1]):
            if math.isnan(known.z[r, c]):
                continue
            _take_deviation(row, known, noise.threshold, sides.ruled_out, i, r, c)
            if sides.ruled_out[0, i, c] and sides.ruled_out[1, i, c]:
                continue
            count = newest_readings(known.values, known.epoch, known.day, r, first_row[i], c, times, levels)
            if count == 0:
                continue
            scale = noise.scale[r, c] if not math.isnan(noise.scale[r, c]) else 1.0
            variance = noise_variance(times, count, noise.sigma[c] * scale, noise.memory_days[c])
            for high in range(2):
                authority = (2.0 * high - 1.0) * (sides.limits[high, c] - sides.centre[i, c])
                if sides.ruled_out[high, i, c] or math.isnan(authority) or authority <= 2 * sides.resolution[c]:
                    continue
                side = _side(
                    times, levels, count, variance, high, authority, sides.limits[high, c], sides.resolution[c],
                    known.relearning[r, c], stale[i], steps,
                )  # fmt: skip
                if abs(known.z[r, c]) >= LEAST_SIGMAS:
                    _take_foremost(nearest, side, i, 2 * nearest.number[c] + high)
                row.newest_leeway = min(row.newest_leeway, side.left)
                row.days_to_limit = min(row.days_to_limit, side.lasts + 3.65 * side.left)
                for k in range(len(steps.ends)):
                    survive[k] *= 1.0 - steps.passed[k]
                    ahead[i, k] = min(ahead[i, k], steps.left[k])
                interest = (100.0 - side.left) / (30.0 + side.lasts) + 1e-6 * abs(known.z[r, c])
                if interest > most:
                    most = interest
                    row.leading, row.side, row.loss = c, 2.0 * high - 1.0, side.loss
        for k in range(len(steps.ends)):
            passage[i, k] = 1.0 - survive[k]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _take_foremost(nearest, side, i, place):  # type: ignore[no-untyped-def]
    """Take into `Kinds` the `Side` of a correction of row i, if it will be the foremost of its kind."""
    used, rate = 1.0 - side.left / 100.0, side.loss / 100.0
    before = nearest.used[i, place] + max(nearest.rate[i, place], 0.0) * SOON_DAYS
    if used + max(rate, 0.0) * SOON_DAYS > before:
        nearest.used[i, place], nearest.rate[i, place] = used, rate


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _take_deviation(row, known, threshold, ruled_out, i, r, c):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Take into the `SUMMARY` of row i, reading r, how far correction c deviates and how sure that is."""
    size = abs(known.z[r, c])
    if size > row.largest:
        row.second, row.largest = row.largest, size
    elif size > row.second:
        row.second = size
    evidence = known.evidence[r, c] if not math.isnan(known.evidence[r, c]) else 0.0
    row.margin = max(row.margin, evidence - threshold[c])
    row.severity = max(row.severity, evidence / threshold[c])
    if known.alarm[r, c]:
        row.alarms += 1.0
    towards = 1 if known.deviation[r, c] >= 0 else 0
    if not ruled_out[towards, i, c]:
        row.towards = max(row.towards, size)
        if not math.isnan(known.leeway[r, c]):
            row.leeway = min(row.leeway, known.leeway[r, c])


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _side(  # type: ignore[no-untyped-def]  # noqa: PLR0917
    times, levels, count, variance, high, authority, limit, resolution, relearning, stale, steps
):
    """The `Side` of a correction, high or low; fills what `steps` says of it.

    Where its newest readings look like a jump, the line through all and the line since then are weighed.
    """
    sign = 2.0 * high - 1.0
    slope_sd = SLOPE_SHARE * authority / 30.0
    since, jumped = since_jump(times, levels, count, variance, slope_sd)
    left = lasts = loss = 0.0
    steps.passed[:] = 0.0
    steps.left[:] = 0.0
    for jump in range(2):
        share = jumped if jump else 1.0 - jumped
        if share < LEAST_SHARE:
            continue
        mean, at, slope, mean_variance, slope_variance = line(
            times, levels, since if jump else count, variance, slope_sd
        )
        distance, rate = sign * (limit - mean) - resolution, sign * slope
        if relearning:
            rate = min(rate, 0.0)
        now = distance + rate * at
        left += share * min(max(100.0 * now / authority, 0.0), 100.0)
        loss += share * 100.0 * rate / authority
        lasts += share * (LONGEST_DAYS if rate <= 0 else min(LONGEST_DAYS, max(now, 0.0) / rate))
        for k in range(len(steps.ends)):
            days = steps.ends[k] + stale - at
            spread = math.sqrt(mean_variance + days * days * slope_variance) + 1e-12
            steps.passed[k] += share * 0.5 * math.erfc((distance - rate * days) / spread / math.sqrt(2.0))
            gone = max(rate, 0.0) * (steps.middles[k] + stale - at)
            steps.left[k] += share * min(max(100.0 * (distance - gone) / authority, 0.0), 100.0)
    return Side(left, lasts, loss)
