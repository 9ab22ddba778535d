"""Series that are stuck: runs of one value, in use, that are too long to be chance; arrays of one correction.

Rounding, quiet engines and regions that a duty seldom visits make readings repeat in health. How readily, each family
shows for a correction, and each vehicle by the rest of its record: a beta-binomial, so that vehicles may differ by as
much as they do. Where others of the family stand at the same time, their season or work explains it.
"""

from typing import NamedTuple

import numba
import numpy as np

from pipelines.handover import Bools, Float32s, Float64s, Int64s
from pipelines.standstill import rule

LEAST_REPEATS = 4  # shorter runs are not looked at; judgement
# Other vehicles of the family that stand at the same time, half as surprisingly: with more it is no fault; judgement.
ALIKE = 1
LEAST_PAIRS = 5  # of readings of a vehicle, before it tells of its family; judgement
# Of the vehicles' readiness to repeat, as correlation within a vehicle; judgement.
LEAST_SPREAD, MOST_SPREAD = 0.02, 0.95


class Vehicles(NamedTuple):
    """Rows of vehicles that a correction is read of: V vehicles, R rows sorted by vehicle, then time.

    row_start: [V + 1]. family: [V] index. used: [R] whether the engine may have been used since the row before.
    at: [R] time in seconds.
    """

    row_start: Int64s
    family: Int64s
    used: Bools
    at: Int64s

    @classmethod
    def of(cls, row_start: Int64s, family: Int64s, hours: Float64s, at: Int64s) -> "Vehicles":
        """From ignition hours [R], NaN where they are not known."""
        used = hours != np.append(np.nan, hours[:-1])  # true where not known
        return cls(row_start, family, used, at)


class Runs(NamedTuple):
    """Runs of one value, [n]: index of the vehicle, first and last row, how often the value was repeated in use."""

    vehicle: Int64s
    first: Int64s
    last: Int64s
    repeats: Int64s

    def where(self, chosen: Bools) -> "Runs":
        """Some of them."""
        return Runs(*(column[chosen] for column in self))


def stuck_runs(
    values: Float32s, vehicles: Vehicles, repeats: Float64s, *, rare: float, neutral: float, low: float, high: float,
    step: float,
) -> Runs:  # fmt: skip
    """Runs that are less likely than `rare`, do not rest by nature, and that hardly any other vehicle shares.

    Args:
        values: [R] readings; NaN: not read.
        vehicles: Whose.
        repeats: [families, 2] as `readiness` says.
        rare: Chance, one of those in `rule`.
        neutral: Of the correction; NaN: none.
        low: Limit; NaN: none.
        high: Limit; NaN: none.
        step: In which its values come; 0: not known.
    """
    runs, pairs, repeated = _runs(values, vehicles)
    free = ~rule.rests(values[runs.first], neutral=neutral, low=low, high=high, step=step)
    log_chance = _log_chance(runs, pairs, repeated, repeats[vehicles.family[runs.vehicle]])
    unlikely = free & (log_chance < np.log(rare))
    alike = _others_alike(runs.where(unlikely), log_chance[unlikely], runs.where(free), log_chance[free], vehicles)
    return runs.where(unlikely).where(alike <= ALIKE)


def _log_chance(runs: Runs, pairs: Float64s, repeated: Float64s, prior: Float64s) -> Float64s:
    """[runs] log probability that the vehicle repeats itself as often, given the rest of its record and its family.

    `prior`: [runs, 2] of its family.
    """
    again = prior[:, 0] + repeated[runs.vehicle] - runs.repeats
    other = prior[:, 1] + pairs[runs.vehicle] - repeated[runs.vehicle]
    return rule.log_chance(runs.repeats.astype(np.float64), again, other)


def _others_alike(
    told: Runs, told_chance: Float64s, runs: Runs, chance: Float64s, vehicles: Vehicles
) -> Int64s:  # fmt: skip
    """[told] runs of other vehicles of the family that surprise half as much, during at least half of its time.

    Vehicles that hardly ever move explain nothing: their runs are no surprise. Chances are logs.
    """
    alike = np.zeros(len(told.vehicle), np.int64)
    family, at = vehicles.family, vehicles.at
    begin, end = at[runs.first], at[runs.last]
    for n, (vehicle, first, last, _) in enumerate(zip(*told, strict=True)):
        other = (family[runs.vehicle] == family[vehicle]) & (runs.vehicle != vehicle)
        other &= 2 * chance <= told_chance[n]
        together = np.minimum(end, at[last]) - np.maximum(begin, at[first])
        alike[n] = np.count_nonzero(other & (2 * together >= at[last] - at[first]))
    return alike


def readiness(values: Float32s, vehicles: Vehicles) -> Float64s:
    """[families, 2] of the beta distribution of the vehicles' readiness to repeat; so that nothing is told: (1, 0+).

    Args:
        values: [R] readings; NaN: not read.
        vehicles: Whose.
    """
    _, pairs, repeated = _runs(values, vehicles)
    family = vehicles.family
    prior = np.tile([1.0, 1e-9], (int(family.max(initial=-1)) + 1, 1))
    for f in range(len(prior)):
        in_family = (family == f) & (pairs >= LEAST_PAIRS)
        if in_family.sum() < 2 or repeated[in_family].sum() == pairs[in_family].sum():
            continue
        mean = (repeated[in_family].sum() + 0.5) / (pairs[in_family].sum() + 1.0)
        chance = mean * (1.0 - mean) / pairs[in_family].mean()
        spread = np.average((repeated[in_family] / pairs[in_family] - mean) ** 2, weights=pairs[in_family]) - chance
        within = np.clip(spread / (mean * (1.0 - mean)), LEAST_SPREAD, MOST_SPREAD)
        prior[f] = np.array([mean, 1.0 - mean]) * (1.0 / within - 1.0)
    return prior


def _runs(values: Float32s, vehicles: Vehicles) -> tuple[Runs, Float64s, Float64s]:
    """All runs; [V] pairs of successive readings in use; [V] those that repeat."""
    runs = np.empty((values.size // LEAST_REPEATS + 1, 4), np.int64)
    pairs, repeated = np.zeros(vehicles.row_start.size - 1), np.zeros(vehicles.row_start.size - 1)
    values = np.require(values, requirements=["C", "W"])  # one kind of array for the kernel
    count = _fill_runs(vehicles.row_start, values, vehicles.used, runs, pairs, repeated)
    return Runs(*runs[:count].T), pairs, repeated


@numba.njit(cache=True, nogil=True)
def _fill_runs(row_start, values, used, runs, pairs, repeated):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Fill what `_runs` returns; the number of runs."""
    count = 0
    for v in range(row_start.size - 1):
        before, first, last, repeats = np.nan, -1, -1, 0
        for r in range(row_start[v], row_start[v + 1]):
            value = values[r]
            if np.isnan(value):
                continue
            if value != before:
                if repeats >= LEAST_REPEATS:
                    count = _add(runs, count, v, first, last, repeats)
                pairs[v] += not np.isnan(before)
                first, repeats = r, 0
            elif used[r]:
                repeats += 1
                pairs[v] += 1.0
                repeated[v] += 1.0
            before, last = value, r
        if repeats >= LEAST_REPEATS:
            count = _add(runs, count, v, first, last, repeats)
    return count


@numba.njit(cache=True, nogil=True)
def _add(runs, count, v, first, last, repeats):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Put down one more run; how many there are then."""
    runs[count, 0], runs[count, 1], runs[count, 2], runs[count, 3] = v, first, last, repeats
    return count + 1
