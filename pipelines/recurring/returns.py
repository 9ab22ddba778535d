"""Work that had to be done again, by who did it and with which part: work rows in, spells to be compared out."""

import polars as pl

from pipelines.handover import Evidence
from pipelines.recurring.exposure import DAYS_PER_MONTH
from pipelines.recurring.repeats import MENDS, ONE_JOB

RETURN_FACTORS = ("workshop", "part_batch", "part_number")
RETURN_STRATA = ("component", "engine_family")


def spells(evidence: Evidence, months: pl.DataFrame) -> pl.DataFrame:
    """One row per mending job: how long it stood until the same part of the vehicle was mended again.

    Args:
        evidence: Work rows.
        months: From `vehicle_months`; a spell ends with the vehicle's observation.

    Returns:
        Sorted by vehicle, component and time: `vehicle_id, component, engine_family`, the factors, `exposure` (months
        until mended again or seen last), `returned` (bool), `at` (when it was mended again; null: it was not).
    """
    last = months.group_by("vehicle_id").agg(
        pl.col("engine_family").first(),
        seen_to=(pl.col("month").last().cast(pl.Datetime("us", "UTC")) + pl.duration(days=DAYS_PER_MONTH)),
    )
    part = ["vehicle_id", "component", "bank", "cylinder"]
    return (
        evidence.work.filter(pl.col("kind").is_in(MENDS) & pl.col("component").is_not_null())
        .sort(*part, "done_at")
        .filter((pl.col("done_at").diff().over(part) > ONE_JOB).fill_null(value=True))
        .join(last, on="vehicle_id")
        .sort(*part, "done_at")
        .with_columns(at=pl.col("done_at").shift(-1).over(part))
        .with_columns(
            returned=pl.col("at").is_not_null(),
            exposure=(pl.coalesce("at", "seen_to") - pl.col("done_at")).dt.total_seconds() / 86_400 / DAYS_PER_MONTH,
        )
        .filter(pl.col("exposure") > 0)
        .select("vehicle_id", *RETURN_STRATA, *RETURN_FACTORS, "exposure", "returned", "at")
    )
