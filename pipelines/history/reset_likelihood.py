"""How far each reading's corrections have gone back to neutral together: the trace that a reset leaves.

In: the wide snapshots, one column a correction. Out: one log-likelihood ratio per reading, 'all values were set back
since the reading before, and relearned in the hours since' against 'nothing of the kind'. What is left of a reset after
hours of learning is known only roughly (rough time constants, unknown shares of use in a region), so it is averaged
over; the time of the reset between the two readings is one for all corrections. Corrections of a group move together
for other reasons too, a repair for one, so no group alone can convince. Scatter and threshold are learned in blocks of
time, so that no later reading changes what was told of an earlier one.
"""

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numba
import numpy as np
import polars as pl

from pipelines.handover import Bools, Evidence, Float32s, Float64s, Int64s
from pipelines.history.reading_rows import days, row_starts
from pipelines.history.reading_scatter import LEVEL_WEIGHT, Cells, scatter
from pipelines.resume.reset_checkpoint import Ground, Trace, Unknown, onward, terms_digest, trace_after
from pipelines.threads import in_threads

CHUNK = 16_000  # readings that are compared at a time: their odds stay in the processor's cache
HOME_WEIGHT = 0.1  # of the newest reading in the level that is called home; judgement
# Level this far from home: it has strayed, a repair would take it back too, and it does not speak; judgement.
STRAYED_SIGMAS = 5.0
LEAST_SIGMAS = 1.0  # level nearer to neutral than this: it does not speak; judgement
LEAST_LEFT = 0.3  # sigmas that could be left of a reset at the most: it does not speak; judgement
LEAST_ODDS = math.exp(-3.0)  # of one correction: it may not have been read, or not have been set back; judgement
SPOKEN_ODDS = math.exp(1.5)  # of one correction: it stands on a new level from here; judgement
SURE_ODDS = 1e200  # of all corrections, either way
USUAL_LEARN_HOURS = 5.0  # of a correction whose catalogue does not tell; judgement
USUAL_USE = 0.15  # share of the time that the ignition is on, where no clock tells; judgement
FALSE_A_YEAR = 0.2  # resets a vehicle-year at most that chance shows, at the full threshold; judgement
GROUP_SHARE = 2 / 3  # of the threshold, the most that one group of corrections adds; judgement

# What was learned since the reset, in time constants: QUICKEST times the hours between the two readings over the rough
# time constant, times 2**-i (when between the two the reset was, and by how much all learn quicker than the rough
# constants tell; these are their probabilities, for any time alike and one or four times as quick), times 2**-j (share
# of use in the correction's region, j below REGIONS).
QUICKEST = 4.0
SINCE = np.array([0.125, 0.185, 0.22, 0.28, 0.095, 0.095])
REGIONS = 6
STEPS = SINCE.size + REGIONS - 1  # of halving what was learned
SLOWEST = QUICKEST * 2.0 ** (1 - STEPS)
MISREAD = 1e-3  # density, as a share of the noise's highest, of a value that has nothing to do with either; judgement
FAST = {"arcp", "contract", "reassoc", "nsz"}  # ways of computing in another order; NaN stays NaN


def threshold(rows: pl.DataFrame) -> Float64s:
    """[R] log-likelihood ratio that chance passes `FALSE_A_YEAR` times a vehicle-year at most.

    A ratio of likelihoods exceeds x with a probability of at most 1/x where its denominator holds (Markov's
    inequality). Readings a vehicle-year: in the blocks before the reading's, in the first in the block itself.
    """
    start, block = row_starts(rows)[:-1], rows["block"].to_numpy()
    at = rows["read_at"].dt.epoch("us").to_numpy() / 86_400e6
    needed = np.zeros(int(block.max(initial=-1)) + 1)
    for b in range(needed.size):
        read = np.add.reduceat(block < max(b, 1), start)
        years = (at[start + np.maximum(read, 1) - 1] - at[start]).sum() / 365.25
        needed[b] = math.log(max(read.sum() / max(years, 1 / 365), 1.0) / FALSE_A_YEAR)
    of_row: Float64s = needed[block]
    return of_row


def back_to_neutral(
    rows: pl.DataFrame, evidence: Evidence, hours: Float64s, begun: Bools, *, kept: Trace, until: float
) -> tuple[Float64s, Trace]:
    """[R] log-likelihood ratio of a reset since the reading before; 0 where nothing can speak. And the next trace.

    Args:
        rows: As `reading_rows` gives them, in the order of the snapshots.
        evidence: Its snapshots (sorted by vehicle and time) and catalogue.
        hours: [R], ignition hours since the vehicle was first seen; NaN: not known.
        begun: [R], something that may reset happened before this reading: what came before is no home after it.
        kept: What an earlier run left; vehicles whose past is as it was go on from it.
        until: Day since 1970 before which the readings lie that the next trace is of.
    """
    cells, needed = Cells.of(rows), np.exp(GROUP_SHARE * threshold(rows))
    start, between = cells.row_start, _hours_between(rows, hours, cells.row_start)
    speaking = _speaking(evidence)
    channels = in_threads(lambda row: _channel(row, cells, evidence, begun), speaking.iter_rows(named=True))
    ground = Ground(
        vehicles=tuple(rows["vehicle_id"].gather(start[:-1])),
        row_start=start,
        columns=(between, begun.astype(np.int64), needed),
        cell=cells.of_row,
        values=[values for values, _, _ in channels],
        sigma=[sigma for _, sigma, _ in channels],
        terms=terms_digest(speaking),
    )
    within = days(rows["read_at"]) < until
    cut = np.diff(np.append(0, np.cumsum(within))[start])
    begin = onward(ground, kept, cut)
    after = np.empty_like(begin.series)
    groups: dict[str, list[Series]] = {name: [] for name in speaking["group"]}
    for c, (name, channel) in enumerate(zip(speaking["group"], channels, strict=True)):
        groups[name].append((*channel, begin.series[c], after[c]))
    new = Unknown.behind(begin.known, start, cut)
    by_row = tuple(column[new.rows] for column in (cells.of_row, between, begun, needed))
    parts = in_threads(lambda part: _ratio(part, new, by_row, groups.values()), _parts(new.row_start))
    begin.ratio[new.rows] = np.concatenate([np.zeros(0), *parts])
    return begin.ratio, trace_after(ground, begin, within, cut, after)


# Of one correction: values [R], scatter [cells], numbers as `_multiply`, its series [V] as they stand, and at the cut.
Series = tuple[Float32s, Float64s, Float64s, np.ndarray, np.ndarray]


def _channel(
    correction: dict[str, Any], cells: Cells, evidence: Evidence, begun: Bools
) -> tuple[Float32s, Float64s, Float64s]:
    """Values [R], scatter [cells], numbers as `_multiply`."""
    values = evidence.snapshots[correction["code"]].cast(pl.Float32).fill_null(np.nan).to_numpy()
    numbers = np.array([correction["neutral"], correction["resolution"], correction["learn_hours"]])
    return values, scatter(cells, values, begun, correction["resolution"]), numbers


def _parts(row_start: Int64s) -> list[slice]:
    """The vehicles of each part of about `CHUNK` readings."""
    ends = np.searchsorted(row_start, np.arange(0, row_start[-1] + CHUNK, CHUNK))
    ends = np.unique(np.minimum(ends, row_start.size - 1))
    return [slice(first, last) for first, last in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True)]


def _ratio(vehicles: slice, new: Unknown, by_row: tuple[Any, ...], groups: Iterable[Sequence[Series]]) -> Float64s:
    """Log-likelihood ratio at each reading of some vehicles; `by_row`: cells, hours, begun, most odds of a group."""
    rows = slice(new.row_start[vehicles.start], new.row_start[vehicles.stop])
    start = new.row_start[vehicles.start : vehicles.stop + 1] - rows.start
    cut = new.cut[vehicles] - rows.start
    cell, hours, begun, most = (column[rows] for column in by_row)
    total, together = (np.ones((cell.size, SINCE.size)) for _ in range(2))
    for group in groups:
        for values, sigma, numbers, series, after in group:
            mine = new.part(values, rows)
            _multiply(start, mine, cell, sigma, hours, begun, numbers, cut, series[vehicles], after[vehicles], together)
        _add_group(together, most, total)
    ratio: Float64s = _log_odds(total)
    return ratio


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


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _multiply(row_start, values, cell, sigma, hours, begun, numbers, cut, series, after, odds):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Multiply `odds` [R, since] by one correction's likelihood ratios; numbers: neutral, resolution, learn_hours.

    The series [V] go on as they stand; `after` [V] is filled with what they are before row `cut` [V].
    """
    neutral, resolution, learn_hours = numbers[0], numbers[1], numbers[2]
    left, likelihood = np.empty(STEPS), np.empty(STEPS)
    for v in range(row_start.size - 1):
        level, home, read, run = series[v].level, series[v].home, series[v].read, series[v].run
        for r in range(row_start[v], row_start[v + 1]):
            if r == cut[v]:
                _note(after[v], level, home, read, run)
            run += hours[r]
            value, noise = values[r], sigma[cell[r]]
            if np.isnan(value):
                continue
            if read == 0.0:
                level, home = value, value
            step, away, off = (value - level) / noise, (level - neutral) / noise, abs(value - neutral)
            # A value between the grid's lines beside neutral is not a reset but a unit slip.
            on_grid = off <= 1e-3 * resolution or off >= 0.4 * resolution
            spoken = False
            if read > 0.0 and noise > 0.0 and on_grid and abs(away) >= LEAST_SIGMAS:
                least = math.exp(-SLOWEST * run / learn_hours)  # of the reset, where least was learned
                if least * abs(away) >= LEAST_LEFT and abs(level - home) <= STRAYED_SIGMAS * noise:
                    _likelihoods(step, away, least, left, likelihood)
                    spoken = _speak(likelihood, odds, r)
            read = 1.0 if begun[r] else read + 1.0
            level = value if spoken or begun[r] else level + LEVEL_WEIGHT * (value - level)
            home += max(HOME_WEIGHT, 1.0 / read) * (value - home)
            run = 0.0
        if row_start[v + 1] == cut[v]:
            _note(after[v], level, home, read, run)


@numba.njit(cache=True, nogil=True)
def _note(series, level, home, read, run):  # type: ignore[no-untyped-def]
    series.level = level
    series.home = home
    series.read = read
    series.run = run


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _likelihoods(step, away, least, left, likelihood):  # type: ignore[no-untyped-def]
    """Fill [STEPS] the likelihood of a value for what may be left of a reset, against none; shares of `REGIONS`.

    step and away (level less neutral) in sigmas. Density: Student's t with 3 degrees, and misreadings.
    """
    for k in range(STEPS - 1, -1, -1):
        left[k] = least
        least *= least
    spread = 1.0 + step * step * (1.0 / 3.0)
    share = 1.0 / (REGIONS * (1.0 / (spread * spread) + MISREAD))
    for k in range(STEPS):
        sigmas = step + left[k] * away
        spread = 1.0 + sigmas * sigmas * (1.0 / 3.0)
        likelihood[k] = (1.0 / (spread * spread) + MISREAD) * share


@numba.njit(cache=True, nogil=True)
def _speak(likelihood, odds, r):  # type: ignore[no-untyped-def]
    """Multiply the odds of reading r by the mean over regions; whether it speaks clearly for a reset."""
    total, best = 0.0, 0.0
    for k in range(REGIONS - 1):
        total += likelihood[k]
    for i in range(STEPS - REGIONS + 1):
        total += likelihood[i + REGIONS - 1]
        told = max(total, LEAST_ODDS)
        odds[r, i] *= told
        best = max(best, told)
        total -= likelihood[i]
    return best > SPOKEN_ODDS


@numba.njit(cache=True, nogil=True)
def _add_group(together, most, total):  # type: ignore[no-untyped-def]
    """Multiply the odds of all [R, since] by those of a group, up to `most` [R]; the group's are 1 again."""
    for r in range(len(total)):
        for i in range(total.shape[1]):
            odds = total[r, i] * min(together[r, i], most[r])
            total[r, i] = min(max(odds, 1.0 / SURE_ODDS), SURE_ODDS)
            together[r, i] = 1.0


@numba.njit(cache=True, nogil=True)
def _log_odds(total):  # type: ignore[no-untyped-def]
    """[R] log of the mean odds; always added up in the same order, whatever rows are beside."""
    out = np.empty(len(total))
    for r in range(len(total)):
        odds = 0.0
        for i in range(total.shape[1]):
            odds += SINCE[i] * total[r, i]
        out[r] = math.log(odds)
    return out
