"""Values that stand still to the last digit in use for longer than chance explains: stuck readings, one row a run."""

from typing import Any

import numpy as np
import polars as pl

from pipelines.handover import Evidence, Float32s
from pipelines.history.reading_rows import row_starts
from pipelines.standstill.rule import RARE_EVER
from pipelines.standstill.stuck import Runs, Vehicles, stuck_runs
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


def stuck_values(rows: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Runs of one value over readings in use that are too long to be chance, as `SCHEMA`, sorted by vehicle and time.

    Args:
        rows: As `reading_rows` gives them, in the order of the snapshots.
        evidence: Its snapshots and catalogue.
    """
    row_start = row_starts(rows)
    family = rows["engine_family"].fill_null("").rank("dense").to_numpy().astype(np.int64)[row_start[:-1]] - 1
    hours = rows["ignition_hours"].fill_null(float("nan")).to_numpy()
    vehicles = Vehicles.of(row_start, family, hours, rows["read_at"].dt.epoch("s").to_numpy())
    read = [row for row in evidence.corrections.iter_rows(named=True) if row["code"] in evidence.snapshots.columns]

    def of_one(correction: dict[str, Any]) -> pl.DataFrame:
        values = evidence.snapshots[correction["code"]].fill_null(float("nan")).to_numpy()
        neutral, low, high = (
            float("nan") if correction[name] is None else correction[name]
            for name in ("neutral", "low_limit", "high_limit")
        )
        step = correction["resolution"] or 0.0
        runs = stuck_runs(values, vehicles, rare=RARE_EVER, neutral=neutral, low=low, high=high, step=step)
        return _named(runs, correction["code"], rows, values)

    runs = pl.concat([pl.DataFrame(schema=SCHEMA), *in_threads(of_one, read)])
    return _few_at_once(runs).sort("vehicle_id", "at", "correction")


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
