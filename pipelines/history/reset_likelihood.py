"""How far each reading's corrections have gone back to neutral together: the trace that a reset leaves.

In: the wide snapshots, one column a correction. Out: one log-likelihood ratio per reading, 'all values were set back
since the reading before, and relearned in the hours since' against 'nothing of the kind'. What is left of a reset after
hours of learning is known only roughly (rough time constants, unknown shares of use in a region), so it is averaged
over; the time of the reset between the two readings is one for all corrections. Corrections of a group move together
for other reasons too, a repair for one, so no group alone can convince. Scatter and threshold are learned in blocks of
time, so that no later reading changes what was told of an earlier one.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numba
import numpy as np
import polars as pl

from pipelines.handover import Bools, Evidence, Float32s, Float64s, Int64s
from pipelines.history.learned import Learned
from pipelines.history.reading_rows import families, first_day_of, row_starts
from pipelines.history.reading_scatter import LEVEL_WEIGHT, Cells, scatter
from pipelines.threads import in_threads

CHUNK = 16_000  # readings that are compared at a time: their odds stay in the processor's cache; for speed
HOME_WEIGHT = 0.1  # of the newest reading in the level that is called home; judgement
# Level this far from home: it has strayed, a repair would take it back too, and it tells nothing; judgement.
STRAYED_SIGMAS = 5.0
LEAST_SIGMAS = 1.0  # level nearer to neutral than this: it tells nothing; judgement
LEAST_LEFT = 0.3  # sigmas that could be left of a reset at the most: it tells nothing; judgement
LEAST_ODDS = math.exp(-3.0)  # of one correction: it may not have been read, or not have been set back; judgement
MOVED_ODDS = math.exp(1.5)  # of one correction: it stands on a new level from here; judgement
SURE_ODDS = 1e200  # of all corrections, either way; numerical
USUAL_LEARN_HOURS = 5.0  # of a correction whose catalogue does not tell; judgement
USUAL_USE = 0.15  # share of the time that the ignition is on, where no clock tells; judgement
FALSE_A_YEAR = 0.2  # resets a vehicle-year at most that chance shows, at the full threshold; judgement
GROUP_SHARE = 2 / 3  # of the threshold, the most that one group of corrections adds; judgement

# What was learned since the reset, in time constants: QUICKEST times the hours between the two readings over the rough
# time constant, times 2**-i (when between the two the reset was, and by how much all learn quicker than the rough
# constants tell; these are their probabilities, for any time alike and one or four times as quick), times 2**-j (share
# of use in the correction's region, j below REGIONS); derived.
QUICKEST = 4.0
SINCE = np.array([0.125, 0.185, 0.22, 0.28, 0.095, 0.095])  # derived
REGIONS = 6  # judgement
STEPS = SINCE.size + REGIONS - 1  # of halving what was learned; derived
SLOWEST = QUICKEST * 2.0 ** (1 - STEPS)  # derived
MISREAD = 1e-3  # density, as a share of the noise's highest, of a value that has nothing to do with either; judgement
FAST = {"arcp", "contract", "reassoc", "nsz"}  # ways of computing in another order; NaN stays NaN


# One series after a reading: the level, the level that is called home, readings since it began, hours since the last.
SERIES = np.dtype([(name, "f8") for name in ("level", "home", "read", "run")])


class Readings(NamedTuple):
    """Rows of some vehicles, [n]: first of each vehicle [V + 1], and as in `Inputs`."""

    row_start: Int64s
    cell: Int64s
    hours: Float64s
    begun: Bools


class Law(NamedTuple):
    """What the catalogue says of a correction: value that a reset leaves, step, and rough time constant of learning."""

    neutral: float
    resolution: float
    learn_hours: float


def threshold(rows: pl.DataFrame) -> Float64s:
    """[B] by block of time, log-likelihood ratio that chance passes `FALSE_A_YEAR` times a vehicle-year at most.

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
    return needed


@dataclass(frozen=True, kw_only=True)
class Inputs:
    """What the odds of all readings are computed from: V vehicles, R readings, C corrections that are informative.

    vehicles: V. row_start: [V + 1]. cell: [R] of the family's block. hours: [R] since the reading before. begun: [R]
    something that may reset happened before. most: [R] odds that one group adds at most. informative: the catalogue's
    rows of the corrections. values: [R] of each. sigma: [cells] of each.
    """

    vehicles: tuple[str, ...]
    row_start: Int64s
    cell: Int64s
    hours: Float64s
    begun: Bools
    most: Float64s
    informative: pl.DataFrame
    values: Sequence[Float32s]
    sigma: Sequence[Float64s]

    @classmethod
    def of(
        cls, rows: pl.DataFrame, evidence: Evidence, hours: Float64s, begun: Bools, *, needed: Float64s, known: Learned
    ) -> "Inputs":
        """Of all readings.

        Args:
            rows: As `reading_rows` gives them, in the order of the snapshots.
            evidence: Its snapshots (sorted by vehicle and time) and catalogue.
            hours: [R], ignition hours since the vehicle was first seen; NaN: not known.
            begun: [R], something that may reset happened before this reading: what came before is no home after it.
            needed: [R] as `threshold` says.
            known: What was learned of other vehicles.
        """
        cells, names = Cells.of(rows, first_day_of(evidence)), families(rows)[0]
        informative = _informative(evidence)

        def channel(correction: dict[str, Any]) -> tuple[Float32s, Float64s]:
            before = known.scatter_of(correction["code"], names)
            values = evidence.snapshots[correction["code"]].cast(pl.Float32).fill_null(np.nan).to_numpy()
            return values, scatter(cells, values, begun, correction["resolution"], before)

        channels = in_threads(channel, informative.iter_rows(named=True))
        return cls(
            vehicles=tuple(rows["vehicle_id"].gather(cells.row_start[:-1])),
            row_start=cells.row_start,
            cell=cells.of_row,
            hours=_hours_between(rows, hours, cells.row_start),
            begun=begun,
            most=np.exp(GROUP_SHARE * needed),
            informative=informative,
            values=[values for values, _ in channels],
            sigma=[sigma for _, sigma in channels],
        )

    def blank_series(self) -> np.ndarray:
        """[C, V] of `SERIES`: nothing read yet."""
        series = np.zeros((len(self.values), len(self.vehicles)), dtype=SERIES)
        series["level"] = series["home"] = np.nan
        return series


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Some successive rows of each vehicle. rows: their numbers. row_start: [V + 1] of them."""

    rows: Int64s | slice
    row_start: Int64s

    @classmethod
    def between(cls, first: Int64s, last: Int64s) -> "Stretch":
        """From row `first` [V] of each vehicle up to `last` [V]."""
        row_start = np.append(0, np.cumsum(last - first))
        if np.array_equal(row_start[:-1], first):
            return cls(rows=slice(0, int(row_start[-1])), row_start=row_start)
        rows = np.arange(row_start[-1]) + np.repeat(first - row_start[:-1], np.diff(row_start))
        return cls(rows=rows, row_start=row_start)

    def part(self, column: np.ndarray, rows: slice) -> np.ndarray:
        """Some of these rows, of a column [R]."""
        part: np.ndarray = column[rows if isinstance(self.rows, slice) else self.rows[rows]]
        return part


def reset_likelihood(inputs: Inputs) -> Float64s:
    """[R] log-likelihood ratio of a reset since the reading before; 0 where nothing can tell."""
    whole = Stretch.between(inputs.row_start[:-1], inputs.row_start[1:])
    return likelihood_of(whole, inputs, inputs.blank_series())


def likelihood_of(stretch: Stretch, inputs: Inputs, series: np.ndarray) -> Float64s:
    """[n] the same at the rows of a stretch.

    Args:
        stretch: The rows.
        inputs: Of all readings.
        series: [C, V] of `SERIES`, before each vehicle's first row of the stretch; brought to its last.
    """
    groups: dict[str, list[int]] = {}
    for c, name in enumerate(inputs.informative["group"]):
        groups.setdefault(name, []).append(c)
    laws = [Law(*law) for law in inputs.informative.select("neutral", "resolution", "learn_hours").iter_rows()]

    def of_part(vehicles: slice) -> Float64s:
        rows = slice(int(stretch.row_start[vehicles.start]), int(stretch.row_start[vehicles.stop]))
        cell, hours, begun, most = (
            stretch.part(column, rows) for column in (inputs.cell, inputs.hours, inputs.begun, inputs.most)
        )
        start = stretch.row_start[vehicles.start : vehicles.stop + 1] - rows.start
        readings = Readings(start, cell, hours, begun)
        total, together = (np.ones((cell.size, SINCE.size)) for _ in range(2))
        for group in groups.values():
            for c in group:
                values = stretch.part(inputs.values[c], rows)
                _multiply(readings, values, inputs.sigma[c], laws[c], series[c, vehicles], together)
            _add_group(together, most, total)
        ratio: Float64s = _log_odds(total)
        return ratio

    return np.concatenate([np.zeros(0), *in_threads(of_part, _parts(stretch.row_start))])


def _parts(row_start: Int64s) -> list[slice]:
    """The vehicles of each part of about `CHUNK` readings."""
    ends = np.searchsorted(row_start, np.arange(0, row_start[-1] + CHUNK, CHUNK))
    ends = np.unique(np.minimum(ends, row_start.size - 1))
    return [slice(first, last) for first, last in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True)]


def _informative(evidence: Evidence) -> pl.DataFrame:
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
def _multiply(readings, values, sigma, law, series, odds):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Multiply `odds` [R, since] by one correction's likelihood ratios.

    Args:
        readings: `Readings`.
        values: [R] of the correction; NaN: not read.
        sigma: [cells] its scatter.
        law: `Law`.
        series: [V] of `SERIES`, before each vehicle's first row; brought to its last.
        odds: [R, since].
    """
    neutral, resolution, learn_hours = law.neutral, law.resolution, law.learn_hours
    row_start, cell, hours, begun = readings.row_start, readings.cell, readings.hours, readings.begun
    left, likelihood = np.empty(STEPS), np.empty(STEPS)
    for v in range(row_start.size - 1):
        level, home, read, run = series[v].level, series[v].home, series[v].read, series[v].run
        for r in range(row_start[v], row_start[v + 1]):
            run += hours[r]
            value, noise = values[r], sigma[cell[r]]
            if np.isnan(value):
                continue
            if read == 0.0:
                level, home = value, value
            step, away, off = (value - level) / noise, (level - neutral) / noise, abs(value - neutral)
            # A value between the grid's lines beside neutral is not a reset but a unit slip.
            on_grid = off <= 1e-3 * resolution or off >= 0.4 * resolution
            moved = False
            if read > 0.0 and noise > 0.0 and on_grid and abs(away) >= LEAST_SIGMAS:
                least = math.exp(-SLOWEST * run / learn_hours)  # of the reset, where least was learned
                if least * abs(away) >= LEAST_LEFT and abs(level - home) <= STRAYED_SIGMAS * noise:
                    _likelihoods(step, away, least, left, likelihood)
                    moved = _weigh(likelihood, odds, r)
            read = 1.0 if begun[r] else read + 1.0
            level = value if moved or begun[r] else level + LEVEL_WEIGHT * (value - level)
            home += max(HOME_WEIGHT, 1.0 / read) * (value - home)
            run = 0.0
        series[v].level, series[v].home, series[v].read, series[v].run = level, home, read, run


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
def _weigh(likelihood, odds, r):  # type: ignore[no-untyped-def]
    """Multiply the odds of reading r by the mean over regions; whether they tell clearly of a reset."""
    total, best = 0.0, 0.0
    for k in range(REGIONS - 1):
        total += likelihood[k]
    for i in range(STEPS - REGIONS + 1):
        total += likelihood[i + REGIONS - 1]
        mean = max(total, LEAST_ODDS)
        odds[r, i] *= mean
        best = max(best, mean)
        total -= likelihood[i]
    return best > MOVED_ODDS


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
