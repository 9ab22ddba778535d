"""Values that stand still to the last digit in use for longer than chance explains: stuck readings, one row a run."""

from typing import Any

import polars as pl

from pipelines.handover import Evidence, Float32s, Float64s
from pipelines.history.learned import Learned
from pipelines.history.reading_rows import families, row_starts
from pipelines.standstill.rule import RARE_EVER
from pipelines.standstill.stuck import Runs, Vehicles, readiness, stuck_runs
from pipelines.threads import in_threads

SEVERAL = 3  # corrections of one vehicle that stand still at once: where more do, the module does not learn; judgement
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


def stuck_values(rows: pl.DataFrame, evidence: Evidence, known: Learned) -> tuple[pl.DataFrame, dict[str, Float64s]]:
    """Runs of one value over readings in use that are too long to be chance, as `SCHEMA`, sorted by vehicle and time.

    Beside them, by correction, how readily it repeats: [families, 2], as `stuck.readiness`.

    Args:
        rows: As `reading_rows` gives them, in the order of the snapshots.
        evidence: Its snapshots and catalogue.
        known: What was learned of other vehicles.
    """
    row_start, (names, of_row) = row_starts(rows), families(rows)
    family = of_row[row_start[:-1]]
    hours = rows["ignition_hours"].fill_null(float("nan")).to_numpy()
    vehicles = Vehicles.of(row_start, family, hours, rows["read_at"].dt.epoch("s").to_numpy())
    read = [row for row in evidence.corrections.iter_rows(named=True) if row["code"] in evidence.snapshots.columns]

    def of_one(correction: dict[str, Any]) -> tuple[pl.DataFrame, Float64s]:
        values = evidence.snapshots[correction["code"]].fill_null(float("nan")).to_numpy()
        neutral, low, high = (
            float("nan") if correction[name] is None else correction[name]
            for name in ("neutral", "low_limit", "high_limit")
        )
        step = correction["resolution"] or 0.0
        repeats = readiness(values, vehicles)
        for place, before in known.repeats_of(correction["code"], names).items():
            repeats[place] = before
        runs = stuck_runs(values, vehicles, repeats, rare=RARE_EVER, neutral=neutral, low=low, high=high, step=step)
        return _named(runs, correction["code"], rows, values), repeats

    found = in_threads(of_one, read)
    runs = pl.concat([pl.DataFrame(schema=SCHEMA), *(runs for runs, _ in found)])
    repeats = {correction["code"]: of for correction, (_, of) in zip(read, found, strict=True)}
    return _few_at_once(runs).sort("vehicle_id", "at", "correction"), repeats


def _named(runs: Runs, code: str, rows: pl.DataFrame, values: Float32s) -> pl.DataFrame:
    first, last = rows[runs.first], rows[runs.last]
    return pl.DataFrame(
        {
            "vehicle_id": first["vehicle_id"],
            "correction": code,
            "at": first["read_at"],
            "until": last["read_at"],
            "value": values[runs.first],
            "repeats": runs.repeats,
        }
    ).cast(SCHEMA)


def _few_at_once(runs: pl.DataFrame) -> pl.DataFrame:
    """Runs of vehicles of which few corrections stand still at the same time."""
    numbered = runs.with_row_index("run")
    other = numbered.select("vehicle_id", other="correction", other_at="at", other_until="until")
    together = (
        numbered.join(other, on="vehicle_id")
        .filter((pl.col("at") <= pl.col("other_until")) & (pl.col("other_at") <= pl.col("until")))
        .group_by("run")
        .agg(pl.col("other").n_unique())
        .filter(pl.col("other") <= SEVERAL)
    )
    return numbered.join(together, on="run", how="semi").drop("run")
