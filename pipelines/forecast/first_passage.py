"""When straying corrections meet a limit that sets a fault: their level and rate, with both uncertainties.

Level and rate of a correction are those of the drift stage at a reading. The rate's own error follows from the alarm
statistic: half the squared z of the rate is the evidence, so its standard error is |rate| / sqrt(2 evidence).
"""

import math

import numba
import numpy as np

from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Int64s

# Columns of the summary of a row.
LEEWAY, TIME_TO_LIMIT, LARGEST, SECOND, TOWARDS, MARGIN, ALARMS, LOSS_RATE, LEADING, SIDE, SEVERITY = range(11)
COLUMNS = 11
PASSAGE_DAYS = (7.0, 30.0, 90.0)
LONGEST_DAYS = 3650.0


def summarise_rows(
    family: FamilyDrift, rows: Int64s, *, stale_days: Float64s, done_low: Bools, done_high: Bools
) -> tuple[Float64s, Float64s]:
    """What each vehicle's corrections say of its limits at some readings.

    Args:
        family: The family's drift.
        rows: Readings, indices into the panel, [n].
        stale_days: Age of each reading at the time of forecasting, d, [n].
        done_low: Corrections whose fault on the low side stands already and can't be set anew, [n, C].
        done_high: The same for the high side, [n, C].

    Returns:
        Summaries, [n, 11], by the module's column numbers (leeway %; time to limit d; deviations in sigmas; margin of
        the evidence over its threshold; loss of leeway % a day; leading correction and its side -1 or 1, or 0;
        severity: largest evidence by its threshold), and the probability that any correction meets its limit within
        7, 30 and 90 days, [n, 3].
    """
    panel = family.panel
    return _summarise(
        family.expected,
        family.deviation,
        family.z,
        family.slope,
        family.leeway,
        family.evidence,
        family.alarm,
        rows,
        stale_days,
        done_low | ~panel.can_fault_low,
        done_high | ~panel.can_fault_high,
        family.threshold,
        family.sigma,
        panel.low_limit,
        panel.high_limit,
        np.array(PASSAGE_DAYS),
    )


@numba.njit(cache=True, nogil=True)
def _summarise(  # noqa: C901, PLR0912, PLR0917 - one compiled pass over a row
    expected: Float32s,
    deviation: Float32s,
    z: Float32s,
    slope: Float32s,
    leeway: Float32s,
    evidence: Float32s,
    alarm: Bools,
    rows: Int64s,
    stale: Float64s,
    no_low: Bools,
    no_high: Bools,
    threshold: Float32s,
    sigma: Float32s,
    low_limit: Float64s,
    high_limit: Float64s,
    horizons: Float64s,
) -> tuple[Float64s, Float64s]:  # pragma: no cover - compiled
    n, width = len(rows), z.shape[1]
    found = np.zeros((n, 11))
    passage = np.zeros((n, len(horizons)))
    for i in range(n):
        r = rows[i]
        found[i, 0], found[i, 1], found[i, 5], found[i, 8] = 100.0, 3650.0, -99.0, -1.0
        best = 0.0
        survive = np.ones(len(horizons))
        for c in range(width):
            if math.isnan(z[r, c]):
                continue
            size = abs(z[r, c])
            if size > found[i, 2]:
                found[i, 3], found[i, 2] = found[i, 2], size
            elif size > found[i, 3]:
                found[i, 3] = size
            weight = evidence[r, c] if not math.isnan(evidence[r, c]) else 0.0
            found[i, 5] = max(found[i, 5], weight - threshold[c])
            found[i, 10] = max(found[i, 10], weight / threshold[c])
            if alarm[r, c]:
                found[i, 6] += 1.0
            side = 1.0 if deviation[r, c] >= 0 else -1.0
            if no_high[i, c] if side > 0 else no_low[i, c]:
                continue
            found[i, 4] = max(found[i, 4], size)
            limit = high_limit[c] if side > 0 else low_limit[c]
            if math.isnan(limit):
                continue
            found[i, 0] = min(found[i, 0], leeway[r, c])
            distance = side * (limit - expected[r, c] - deviation[r, c])
            rate = side * slope[r, c] / 30.0
            if math.isnan(rate):
                rate = 0.0
            straying = 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, weight - threshold[c]))))
            error = abs(rate) / math.sqrt(2.0 * max(weight, 0.5))
            for k in range(len(horizons)):
                ahead = horizons[k] + stale[i]
                spread = math.sqrt((error * ahead) ** 2 + (0.5 * sigma[c]) ** 2) + 1e-12
                survive[k] *= 1.0 - straying * 0.5 * math.erfc(-(rate * ahead - distance) / spread / math.sqrt(2.0))
            left = 3650.0 if rate <= 0 else min(3650.0, max(distance, 0.0) / rate)
            if distance <= 0:
                left = 0.0
            if straying > 0.5 or leeway[r, c] < 30.0:
                found[i, 1] = min(found[i, 1], left)
            authority = distance / max(leeway[r, c], 1e-3)
            interest = straying / (1.0 + left) + 1e-6 * size
            if interest > best:
                best = interest
                found[i, 8], found[i, 9] = c, side
                found[i, 7] = rate / authority if authority > 0 else 0.0
        for k in range(len(horizons)):
            passage[i, k] = 1.0 - survive[k]
    return found, passage
