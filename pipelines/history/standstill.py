"""Values that stand still to the last digit in use for longer than chance explains: stuck readings, one row a run.

Rounding, quiet engines and regions that a duty seldom visits make readings repeat in health. How readily, each family
shows for a correction, and each vehicle by the rest of its record: a beta-binomial (Skellam, 1948), so that vehicles
may differ by as much as they do.
"""

from concurrent.futures import ThreadPoolExecutor

import numba
import numpy as np
import polars as pl
from scipy.special import betaln

from pipelines.handover import Bools, Evidence, Float64s, Int64s
from pipelines.history.rows import row_starts

THREADS = 2
CHANCE = 1e-6  # of a run as long or longer
LEAST_REPEATS = 4  # shorter runs are not looked at
ALIKE = 1  # other vehicles of the family with a run half as long: where there are more, values stand by nature
SEVERAL = 3  # corrections of one vehicle that stand still at once: where more do, the module does not learn
LEAST_PAIRS = 5  # of readings of a vehicle, before it tells of its family
LEAST_SPREAD, MOST_SPREAD = 0.02, 0.95  # of the vehicles' readiness to repeat, as correlation within a vehicle
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
    codes = [code for code in evidence.corrections["code"] if code in evidence.snapshots.columns]
    with ThreadPoolExecutor(THREADS) as pool:
        found = pool.map(lambda code: _of_one(code, rows, evidence.snapshots[code], row_start, used, family), codes)
        return _few_at_once(pl.concat([pl.DataFrame(schema=SCHEMA), *found])).sort("vehicle_id", "at", "correction")


def _of_one(  # noqa: PLR0917
    code: str, rows: pl.DataFrame, column: pl.Series, row_start: Int64s, used: Bools, family: Int64s
) -> pl.DataFrame:
    values = column.fill_null(float("nan")).to_numpy()
    runs, pairs, repeated = _runs(row_start, values, used)
    unlikely = _log_chance(runs, pairs, repeated, family) < np.log(CHANCE)
    told = runs[unlikely & (_others_alike(runs, family) <= ALIKE)]
    return _named(told, code, rows, values)


def _log_chance(runs: Int64s, pairs: Float64s, repeated: Float64s, family: Int64s) -> Float64s:
    """[runs] log probability that the vehicle repeats itself as often, given the rest of its record and its family."""
    vehicle, repeats = runs[:, 0], runs[:, 3]
    prior = _prior(pairs, repeated, family)[family[vehicle]]
    again, other = prior[:, 0] + repeated[vehicle] - repeats, prior[:, 1] + pairs[vehicle] - repeated[vehicle]
    chance: Float64s = betaln(again + repeats, other) - betaln(again, other)
    return chance


def _others_alike(runs: Int64s, family: Int64s) -> Int64s:
    """[runs] other vehicles of the family whose longest run is at least half as long."""
    longest = np.zeros(family.size, np.int64)
    np.maximum.at(longest, runs[:, 0], runs[:, 3])
    alike = np.zeros(len(runs), np.int64)
    for f in np.unique(family):
        mine = family[runs[:, 0]] == f
        lengths = np.sort(longest[family == f])
        alike[mine] = lengths.size - np.searchsorted(lengths, runs[mine, 3] / 2.0) - 1
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
