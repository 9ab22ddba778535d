"""What a vehicle's corrections say of their limits: leeway now and ahead, and the first passage with its uncertainty.

Level and slope of a correction are those of the line through its newest readings (`trend`); whether it strays at all
is the drift stage's to say. Each side that can set a fault and has not is looked at on its own.
"""

import math

import numba
import numpy as np

from pipelines.forecast.origins import read_days
from pipelines.forecast.time_grid import ENDS, MIDDLES
from pipelines.forecast.trend import MOST, SLOPE_SHARE, line, newest_readings, noise_variance, since_jump
from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Int32s, Int64s

NO_MARGIN = -99.0  # of a row without evidence
LONGEST_DAYS = 3650.0  # to a limit; farther, or never
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


def summarise_rows(
    family: FamilyDrift, rows: Int64s, centre: Float64s, *, stale_days: Float64s, done_low: Bools, done_high: Bools
) -> tuple[np.ndarray, Float64s, Float64s]:
    """What each vehicle's corrections say of its limits at some readings.

    Args:
        family: The family's drift.
        rows: Readings, indices into the panel, [n].
        centre: The family's normal level as known at each, from which the authority is reckoned, [n, C].
        stale_days: Age of each reading at the time of forecasting, d, [n].
        done_low: Corrections whose fault on the low side stands already and can't be set anew, [n, C].
        done_high: The same for the high side, [n, C].

    Returns:
        Summaries, [n] of `SUMMARY`, the probability that any correction meets its limit by the end of each step ahead,
        [n, L], and the least leeway in the middle of each, were all to go on as now, %, [n, L].
    """
    panel = family.panel
    return _summarise(
        panel.values,
        panel.epoch,
        read_days(family),
        panel.row_start[np.searchsorted(panel.row_start, rows, side="right") - 1],
        family.deviation,
        family.z,
        family.leeway,
        family.evidence,
        family.alarm,
        family.relearning,
        rows,
        stale_days,
        np.stack([done_low | ~panel.can_fault_low, done_high | ~panel.can_fault_high]),
        family.threshold,
        family.sigma,
        family.scale,
        family.memory_days,
        np.stack([panel.low_limit, panel.high_limit]),
        panel.resolution,
        centre,
        ENDS,
        MIDDLES,
    )


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _summarise(  # noqa: C901, PLR0912, PLR0915, PLR0917 - one compiled pass over a row
    values: Float32s,
    epoch: Int32s,
    day: Float64s,
    first_row: Int64s,
    deviation: Float32s,
    z: Float32s,
    leeway: Float32s,
    evidence: Float32s,
    alarm: Bools,
    relearning: Bools,
    rows: Int64s,
    stale: Float64s,
    ruled_out: Bools,
    threshold: Float32s,
    sigma: Float32s,
    scale: Float32s,
    memory: Float32s,
    limits: Float64s,
    resolution: Float64s,
    centre: Float64s,
    ends: Float64s,
    middles: Float64s,
) -> tuple[np.ndarray, Float64s, Float64s]:  # pragma: no cover - compiled
    n, width = len(rows), z.shape[1]
    summaries = np.zeros(n, SUMMARY)
    passage = np.zeros((n, len(ends)))
    ahead = np.full((n, len(ends)), 100.0)
    times, levels = np.empty(MOST), np.empty(MOST)
    passed, then, survive = np.empty(len(ends)), np.empty(len(ends)), np.empty(len(ends))
    for i in range(n):
        r = rows[i]
        start = first_row[i]
        found = summaries[i]
        found.leeway, found.newest_leeway, found.days_to_limit = 100.0, 100.0, LONGEST_DAYS
        found.margin, found.leading = NO_MARGIN, -1.0
        best = 0.0
        survive[:] = 1.0
        for c in range(width):
            if math.isnan(z[r, c]):
                continue
            size = abs(z[r, c])
            if size > found.largest:
                found.second, found.largest = found.largest, size
            elif size > found.second:
                found.second = size
            weight = evidence[r, c] if not math.isnan(evidence[r, c]) else 0.0
            found.margin = max(found.margin, weight - threshold[c])
            found.severity = max(found.severity, weight / threshold[c])
            if alarm[r, c]:
                found.alarms += 1.0
            towards = 1 if deviation[r, c] >= 0 else 0
            if not ruled_out[towards, i, c]:
                found.towards = max(found.towards, size)
                if not math.isnan(leeway[r, c]):
                    found.leeway = min(found.leeway, leeway[r, c])
            if ruled_out[0, i, c] and ruled_out[1, i, c]:
                continue
            count = newest_readings(values, epoch, day, r, start, c, times, levels)
            if count == 0:
                continue
            own = scale[r, c] if not math.isnan(scale[r, c]) else 1.0
            noise = noise_variance(times, count, sigma[c] * own, memory[c])
            for high in range(2):
                side = 2.0 * high - 1.0
                authority = side * (limits[high, c] - centre[i, c])
                if ruled_out[high, i, c] or math.isnan(authority) or authority <= 2 * resolution[c]:
                    continue
                slope_sd = SLOPE_SHARE * authority / 30.0
                since, jumped = since_jump(times, levels, count, noise, slope_sd)
                left = lasts = loss = 0.0
                passed[:] = 0.0
                then[:] = 0.0
                for story in range(2):
                    share = jumped if story else 1.0 - jumped
                    if share < 1e-3:
                        continue
                    mean, at, slope, mean_variance, slope_variance = line(
                        times, levels, since if story else count, noise, slope_sd
                    )
                    distance, rate = side * (limits[high, c] - mean) - resolution[c], side * slope
                    if relearning[r, c]:
                        rate = min(rate, 0.0)
                    now = distance + rate * at
                    left += share * min(max(100.0 * now / authority, 0.0), 100.0)
                    loss += share * 100.0 * rate / authority
                    lasts += share * (LONGEST_DAYS if rate <= 0 else min(LONGEST_DAYS, max(now, 0.0) / rate))
                    for k in range(len(ends)):
                        days = ends[k] + stale[i] - at
                        spread = math.sqrt(mean_variance + days * days * slope_variance) + 1e-12
                        passed[k] += share * 0.5 * math.erfc((distance - rate * days) / spread / math.sqrt(2.0))
                        gone = max(rate, 0.0) * (middles[k] + stale[i] - at)
                        then[k] += share * min(max(100.0 * (distance - gone) / authority, 0.0), 100.0)
                found.newest_leeway = min(found.newest_leeway, left)
                found.days_to_limit = min(found.days_to_limit, lasts + 3.65 * left)
                for k in range(len(ends)):
                    survive[k] *= 1.0 - passed[k]
                    ahead[i, k] = min(ahead[i, k], then[k])
                interest = (100.0 - left) / (30.0 + lasts) + 1e-6 * size
                if interest > best:
                    best = interest
                    found.leading, found.side = c, side
                    found.loss = loss
        for k in range(len(ends)):
            passage[i, k] = 1.0 - survive[k]
    return summaries, passage, ahead
