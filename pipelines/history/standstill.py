"""Values that stand still to the last digit in use for longer than chance explains: stuck readings, one row a run.

Rounding, quiet engines and regions that a duty seldom visits make readings repeat in health. How readily, each family
shows for a correction, and each vehicle by the rest of its record: a beta-binomial (Skellam, 1948), so that vehicles
may differ by as much as they do. Where others of the family stand at the same time, their season or work explains it;
a value at neutral or at a limit rests there by nature.
"""

from typing import Any

import numba
import numpy as np
import polars as pl
from scipy.special import betaln

from pipelines.handover import Bools, Evidence, Float64s, Int64s
from pipelines.history.rows import row_starts
from pipelines.threads import in_threads

CHANCE = 1e-6  # of a run as long or longer; judgement
LEAST_REPEATS = 4  # shorter runs are not looked at; judgement
# Other vehicles of the family with half such a run at the same time: where there are more, it is no fault; judgement.
ALIKE = 1
SEVERAL = 3  # corrections of one vehicle that stand still at once: where more do, the module does not learn; judgement
LEAST_PAIRS = 5  # of readings of a vehicle, before it tells of its family; judgement
# Of the vehicles' readiness to repeat, as correlation within a vehicle; judgement.
LEAST_SPREAD, MOST_SPREAD = 0.02, 0.95
SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "correction": pl.String(),
        "at": pl.Datetime("us", "UTC"),
        "until": pl.Datetime("us", "UTC"),
        "value": pl.Float64(),
        "repeats": pl.Int64(),
    }
)


def standstills(rows: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Runs of one value over readings in use that are too long to be chance, as `SCHEMA`, sorted by vehicle and time.

    Args:
        rows: As `reading_rows` gives them, in the order of the snapshots.
        evidence: Its snapshots and catalogue.
    """
    row_start = row_starts(rows)
    hours = rows["ignition_hours"].fill_null(float("nan")).to_numpy()
    used = hours != np.append(np.nan, hours[:-1])  # true where not known
    family = rows["engine_family"].fill_null("").rank("dense").to_numpy().astype(np.int64)[row_start[:-1]] - 1
    at = rows["read_at"].dt.epoch("s").to_numpy()
    read = [row for row in evidence.corrections.iter_rows(named=True) if row["code"] in evidence.snapshots.columns]

    def of_one(correction: dict[str, Any]) -> pl.DataFrame:
        values = evidence.snapshots[correction["code"]].fill_null(float("nan")).to_numpy()
        runs, pairs, repeated = _runs(row_start, values, used)
        free = ~_at_rest(values[runs[:, 1]], correction)
        unlikely = free & (_log_chance(runs, pairs, repeated, family) < np.log(CHANCE))
        told = runs[unlikely][_others_alike(runs[unlikely], runs[free], family, at) <= ALIKE]
        return _named(told, correction["code"], rows, values)

    found = pl.concat([pl.DataFrame(schema=SCHEMA), *in_threads(of_one, read)])
    return _few_at_once(found).sort("vehicle_id", "at", "correction")


def _at_rest(values: Float64s, correction: dict[str, Any]) -> Bools:
    """[values] whether each lies at neutral or at a limit of its correction, within one step."""
    step = correction["resolution"] or 0.0
    neutral, low, high = (
        np.nan if correction[name] is None else correction[name] for name in ("neutral", "low_limit", "high_limit")
    )
    neutrally = (values == neutral) | (np.abs(values - neutral) < step / 2)
    there: Bools = neutrally | (values <= low + step) | (values >= high - step)
    return there


def _log_chance(runs: Int64s, pairs: Float64s, repeated: Float64s, family: Int64s) -> Float64s:
    """[runs] log probability that the vehicle repeats itself as often, given the rest of its record and its family."""
    vehicle, repeats = runs[:, 0], runs[:, 3]
    prior = _prior(pairs, repeated, family)[family[vehicle]]
    again, other = prior[:, 0] + repeated[vehicle] - repeats, prior[:, 1] + pairs[vehicle] - repeated[vehicle]
    chance: Float64s = betaln(again + repeats, other) - betaln(again, other)
    return chance


def _others_alike(told: Int64s, runs: Int64s, family: Int64s, at: Int64s) -> Int64s:
    """[told] runs of other vehicles of the family that are half as long, during at least half of its time."""
    alike = np.zeros(len(told), np.int64)
    begin, end = at[runs[:, 1]], at[runs[:, 2]]
    for n, (vehicle, first, last, repeats) in enumerate(told):
        other = (family[runs[:, 0]] == family[vehicle]) & (runs[:, 0] != vehicle) & (2 * runs[:, 3] >= repeats)
        together = np.minimum(end, at[last]) - np.maximum(begin, at[first])
        alike[n] = np.count_nonzero(other & (2 * together >= at[last] - at[first]))
    return alike


def _prior(pairs: Float64s, repeated: Float64s, family: Int64s) -> Float64s:
    """[families, 2] of the beta distribution of the vehicles' readiness to repeat; so that nothing is told: (1, 0+)."""
    prior = np.tile([1.0, 1e-9], (int(family.max(initial=-1)) + 1, 1))
    for f in range(len(prior)):
        mine = (family == f) & (pairs >= LEAST_PAIRS)
        if mine.sum() < 2 or repeated[mine].sum() == pairs[mine].sum():
            continue
        mean = (repeated[mine].sum() + 0.5) / (pairs[mine].sum() + 1.0)
        chance = mean * (1.0 - mean) / pairs[mine].mean()
        spread = np.average((repeated[mine] / pairs[mine] - mean) ** 2, weights=pairs[mine]) - chance
        within = np.clip(spread / (mean * (1.0 - mean)), LEAST_SPREAD, MOST_SPREAD)
        prior[f] = np.array([mean, 1.0 - mean]) * (1.0 / within - 1.0)
    return prior


def _named(runs: Int64s, code: str, rows: pl.DataFrame, values: Float64s) -> pl.DataFrame:
    first, last = rows[runs[:, 1]], rows[runs[:, 2]]
    return pl.DataFrame(
        {
            "vehicle_id": first["vehicle_id"],
            "correction": code,
            "at": first["read_at"],
            "until": last["read_at"],
            "value": values[runs[:, 1]],
            "repeats": runs[:, 3],
        }
    ).cast(SCHEMA)


def _few_at_once(found: pl.DataFrame) -> pl.DataFrame:
    """Runs of vehicles of which few corrections stand still at the same time."""
    numbered = found.with_row_index("run")
    other = numbered.select("vehicle_id", other="correction", other_at="at", other_until="until")
    together = (
        numbered.join(other, on="vehicle_id")
        .filter((pl.col("at") <= pl.col("other_until")) & (pl.col("other_at") <= pl.col("until")))
        .group_by("run")
        .agg(pl.col("other").n_unique())
        .filter(pl.col("other") <= SEVERAL)
    )
    return numbered.join(together, on="run", how="semi").drop("run")


def _runs(row_start: Int64s, values: Float64s, used: Bools) -> tuple[Int64s, Float64s, Float64s]:
    """[runs, 4] vehicle, first row, last row, repeats; [V] pairs of successive readings in use; those that repeat."""
    runs = np.empty((values.size // LEAST_REPEATS + 1, 4), np.int64)
    pairs, repeated = np.zeros(row_start.size - 1), np.zeros(row_start.size - 1)
    count = _fill_runs(row_start, values, used, runs, pairs, repeated)
    return runs[:count], pairs, repeated


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
                    runs[count] = (v, first, last, repeats)
                    count += 1
                pairs[v] += not np.isnan(before)
                first, repeats = r, 0
            elif used[r]:
                repeats += 1
                pairs[v] += 1.0
                repeated[v] += 1.0
            before, last = value, r
        if repeats >= LEAST_REPEATS:
            runs[count] = (v, first, last, repeats)
            count += 1
    return count
