"""How far each reading's corrections have gone back to neutral together: the trace that a reset leaves.

In: the wide snapshots, one column a correction. Out: one log-likelihood ratio per reading, 'all values were set back
since the reading before, and relearned in the hours since' against 'nothing of the kind'. What is left of a reset after
hours of learning is known only roughly (rough time constants, unknown shares of use in a region), so it is averaged
over; the time of the reset between the two readings is one for all corrections. Corrections of a group move together
for other reasons too, a repair for one, so no group alone can convince.
"""

import math

import numba
import numpy as np
import polars as pl
from scipy.special import logsumexp

from pipelines.handover import Bools, Evidence, Float64s, Int64s
from pipelines.history.rows import row_starts

LEVEL_WEIGHT = 0.35  # of the newest reading in the level that a value is compared with
HOME_WEIGHT = 0.1  # of the newest reading in the level that is called home
STRAYED_SIGMAS = 5.0  # level this far from home: it has strayed, a repair would take it back too, and it does not speak
LEAST_SIGMAS = 1.0  # level nearer to neutral than this: it does not speak
LEAST_LEFT = 0.3  # sigmas that could be left of a reset at the most: it does not speak
LEAST_RATIO = -3.0  # of one correction: it may not have been read, or not have been set back
SPOKEN_RATIO = 1.5  # of one correction: it stands on a new level from here
LEAST_STEPS = 10  # between readings of a family, before the noise of a correction can be told
SCALE_SAMPLE = 20_000  # readings of a family from which the noise of a correction is taken
ONE_SIGMA = 68.27  # percentile of a normal scatter within one sigma
USUAL_LEARN_HOURS = 5.0  # of a correction whose catalogue does not tell
USUAL_USE = 0.15  # share of the time that the ignition is on, where no clock tells
FALSE_A_YEAR = 0.2  # resets a vehicle-year at most that chance shows, at the full threshold
GROUP_SHARE = 2 / 3  # of the threshold, the most that one group of corrections adds

# What was learned since the reset, in time constants: QUICKEST times the hours between the two readings over the rough
# time constant, times 2**-i (when between the two the reset was, and by how much all learn quicker than the rough
# constants tell; these are their probabilities, for any time alike and one or four times as quick), times 2**-j (share
# of use in the correction's region, j below REGIONS).
QUICKEST = 4.0
SINCE = np.array([0.125, 0.185, 0.22, 0.28, 0.095, 0.095])
REGIONS = 6
MISREAD = 1e-3  # density, as a share of the noise's highest, of a value that has nothing to do with either


def threshold(rows: pl.DataFrame) -> float:
    """Log-likelihood ratio that chance passes `FALSE_A_YEAR` times a vehicle-year at most.

    A ratio of likelihoods exceeds x with a probability of at most 1/x where its denominator holds (Markov's
    inequality).
    """
    spans = rows.group_by("vehicle_id").agg(pl.col("read_at").max() - pl.col("read_at").min())
    years = float(spans["read_at"].dt.total_seconds().sum()) / (365.25 * 86_400)
    return math.log(max(rows.height / max(years, 1 / 365), 1.0) / FALSE_A_YEAR)


def back_to_neutral(rows: pl.DataFrame, evidence: Evidence, hours: Float64s, begun: Bools) -> Float64s:
    """[R] log-likelihood ratio of a reset since the reading before; 0 where nothing can speak.

    Args:
        rows: As `reading_rows` gives them, in the order of the snapshots.
        evidence: Its snapshots (sorted by vehicle and time) and catalogue.
        hours: [R], ignition hours since the vehicle was first seen; NaN: not known.
        begun: [R], something that may reset happened before this reading: what came before is no home after it.
    """
    row_start = row_starts(rows)
    family = rows["engine_family"].fill_null("").rank("dense").to_numpy().astype(np.int64) - 1
    used = _hours_between(rows, hours, row_start)
    most = GROUP_SHARE * threshold(rows)
    total = np.zeros((rows.height, SINCE.size))
    for _, group in _speaking(evidence).group_by("group", maintain_order=True):
        ratio = np.zeros_like(total)
        for code, neutral, resolution, learn_hours in group.drop("group").iter_rows():
            values = evidence.snapshots[code].cast(pl.Float32).fill_null(np.nan).to_numpy()
            sigma = _noise(_steps(row_start, values, begun), family, resolution)[family[row_start[:-1]]]
            numbers = np.array([neutral, resolution, learn_hours])
            _add(row_start, values, sigma, used, begun, numbers, SINCE.size, ratio)
        total += np.minimum(ratio, most)
    combined: Float64s = logsumexp(total, axis=1, b=SINCE)
    return combined


def _speaking(evidence: Evidence) -> pl.DataFrame:
    """code, neutral, resolution, learn_hours, group of the corrections that were read and have a neutral value."""
    return (
        evidence.corrections.filter(pl.col("neutral").is_not_null() & pl.col("code").is_in(evidence.snapshots.columns))
        .select(
            "code",
            "neutral",
            pl.col("resolution").fill_null(0.0),
            pl.col("learn_hours").fill_null(USUAL_LEARN_HOURS).clip(lower_bound=0.01),
            group=pl.coalesce("group", "component", "code"),
        )
        .sort("group", "code")
    )


def _hours_between(rows: pl.DataFrame, hours: Float64s, row_start: Int64s) -> Float64s:
    """[R] ignition hours since the reading before; 0 at the first of each vehicle."""
    passed = rows["read_at"].diff().dt.total_seconds().fill_null(0).to_numpy() / 3600
    counted = np.diff(hours, prepend=np.nan)
    between = np.where(counted >= 0.0, counted, USUAL_USE * passed)  # false where not known
    between[row_start[:-1]] = 0.0
    return between


def _noise(step: Float64s, family: Int64s, resolution: float) -> Float64s:
    """[families] robust sd of one reading about the level before it, quantising added; NaN: too seldom read."""
    known = np.flatnonzero(~np.isnan(step))
    sigma = np.full(int(family.max(initial=-1)) + 1, np.nan)
    for f in range(sigma.size):
        mine = known[family[known] == f]
        if mine.size >= LEAST_STEPS:
            sigma[f] = np.percentile(np.abs(step[mine[:: max(mine.size // SCALE_SAMPLE, 1)]]), ONE_SIGMA)
    combined: Float64s = np.hypot(sigma, resolution / math.sqrt(12))
    return combined


@numba.njit(cache=True, nogil=True)
def _steps(row_start, values, begun):  # type: ignore[no-untyped-def]
    """[R] each value less the level before it; NaN for the first ones and after what may have reset."""
    step = np.full(values.size, np.nan)
    for v in range(row_start.size - 1):
        level = np.nan
        for r in range(row_start[v], row_start[v + 1]):
            if not np.isnan(values[r]):
                if np.isnan(level) or begun[r]:
                    level = values[r]
                else:
                    step[r] = values[r] - level
                    level += LEVEL_WEIGHT * step[r]
    return step


@numba.njit(cache=True, nogil=True)
def _add(row_start, values, sigma, hours, begun, numbers, since, ratio):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Add one correction's log-likelihood ratios to `ratio` [R, since]; numbers: neutral, resolution, learn_hours."""
    neutral, resolution, learn_hours = numbers[0], numbers[1], numbers[2]
    odds = np.empty(since + REGIONS - 1)
    for v in range(row_start.size - 1):
        level, home, read, run, noise = np.nan, np.nan, 0.0, 0.0, sigma[v]
        if not noise > 0.0:
            continue
        for r in range(row_start[v], row_start[v + 1]):
            run += hours[r]
            value = values[r]
            if np.isnan(value):
                continue
            if read == 0.0:
                level, home = value, value
            step, away = (value - level) / noise, (level - neutral) / noise
            off = abs(value - neutral)
            # A value between the grid's lines beside neutral is not a reset but a unit slip.
            on_grid = off <= 1e-3 * resolution or off >= 0.4 * resolution
            spoken = False
            if read > 0.0 and on_grid and abs(away) >= LEAST_SIGMAS and abs(level - home) <= STRAYED_SIGMAS * noise:
                spoken = _compare(step, away, QUICKEST * run / learn_hours, odds, since, ratio, r)
            read = 1.0 if begun[r] else read + 1.0
            level = value if spoken or begun[r] else level + LEVEL_WEIGHT * (value - level)
            home += max(HOME_WEIGHT, 1.0 / read) * (value - home)
            run = 0.0


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=True)
def _compare(step, away, constants, odds, since, ratio, r):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Add the log-likelihood ratios of one value; whether it speaks clearly for a reset.

    step and away (level less neutral) in sigmas; constants: the most that was learned since the reading before, in time
    constants.
    """
    most = odds.size
    left = math.exp(-constants * 2.0 ** (1 - most))  # of the reset, where least was learned
    if left * abs(away) < LEAST_LEFT:
        return False
    likelier = 1.0 / _density(step)
    for k in range(most - 1, -1, -1):
        odds[k] = _density(step + left * away) * likelier
        left *= left
    total, best = 0.0, LEAST_RATIO
    for j in range(REGIONS - 1):
        total += odds[j]
    for i in range(since):
        total += odds[i + REGIONS - 1]
        told = max(math.log(total / REGIONS), LEAST_RATIO)
        ratio[r, i] += told
        best = max(best, told)
        total -= odds[i]
    return best > SPOKEN_RATIO


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=True)
def _density(sigmas):  # type: ignore[no-untyped-def]
    """Density of a value so far from where it is expected, as a share of the highest: Student's t, 3 degrees."""
    spread = 1.0 + sigmas * sigmas / 3.0
    return 1.0 / (spread * spread) + MISREAD
