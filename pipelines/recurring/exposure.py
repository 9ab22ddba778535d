"""Vehicle-months at risk with everything that may make a difference in them; readings in, a row each out."""

from itertools import pairwise

import polars as pl

from pipelines.handover import Evidence, History

DAYS_PER_MONTH = 30.4375
KM_CLASSES = (50_000, 100_000, 150_000, 200_000)  # km, upper bounds
AGE_CLASSES = (3, 6, 10)  # years, upper bounds
FACTORS = ("depot", "duty", "engine_family", "calibration", "model_year", "km_class")
# Comparisons are made among vehicle-months alike in these, save in what the factor itself says. A calibration comes to
# nearly all vehicles of a family within weeks: it says the quarter, whose own rate then weighs its months instead, and
# the family, which a finding names beside it.
STRATA = ("engine_family", "age_class", "duty", "quarter")
SAYS = {
    "engine_family": ("engine_family",),
    "model_year": ("age_class",),
    "duty": ("duty",),
    "calibration": ("quarter", "engine_family"),
}


def vehicle_months(evidence: Evidence, history: History) -> pl.DataFrame:
    """One row per vehicle and calendar month in which it was read, from its first reading to its last.

    Args:
        evidence: Vehicles, for depot, duty, model year and entry into service.
        history: Readings, for what was loaded and driven at the time.

    Returns:
        Sorted by vehicle and month: `vehicle_id, month` (its first day), `exposure` (months), one text column per
        factor of FACTORS (null: not known), `age_class`, `quarter` (of a calendar year), and `memory_read` (bool: the
        fault memory was read in it). Nothing here looks at events.
    """
    month = pl.col("read_at").dt.truncate("1mo").dt.date()
    readings = history.readings.select(
        "vehicle_id", "read_at", "calibration", "depot", "duty", "km", "faults_known", month=month
    )
    read = (
        readings.group_by("vehicle_id", "month")
        .agg(
            pl.col("calibration", "depot", "duty").drop_nulls().last(),
            pl.col("km").max(),
            memory_read=pl.col("faults_known").any(),
        )
        .sort("vehicle_id", "month")
    )
    span = readings.group_by("vehicle_id").agg(first_at=pl.col("read_at").min(), last_at=pl.col("read_at").max())
    grid = read.join(span, on="vehicle_id").with_columns(
        pl.col("calibration", "depot", "duty", "km").forward_fill().over("vehicle_id", order_by="month")
    )
    begin = pl.max_horizontal(pl.col("first_at"), pl.col("month").cast(pl.Datetime("us", "UTC")))
    end = pl.min_horizontal(pl.col("last_at"), pl.col("month").dt.offset_by("1mo").cast(pl.Datetime("us", "UTC")))
    about = evidence.vehicles.select("vehicle_id", "engine_family", "model_year", "in_service_on")
    return (
        grid.join(about, on="vehicle_id")
        .with_columns(
            exposure=((end - begin).dt.total_seconds() / 86_400 / DAYS_PER_MONTH).clip(0.0),
            quarter=pl.format("{} Q{}", pl.col("month").dt.year(), pl.col("month").dt.quarter()),
            km_class=_classed(pl.col("km"), KM_CLASSES, "km"),
            age_class=_classed(_age_years(), AGE_CLASSES, "years").fill_null("age not known"),
            model_year=pl.col("model_year").cast(pl.String),
        )
        .select("vehicle_id", "month", "exposure", *FACTORS, "age_class", "quarter", "memory_read")
        .sort("vehicle_id", "month")
    )


def strata_for(factor: str) -> list[str]:
    """Columns to compare within, for a factor."""
    return [stratum for stratum in STRATA if stratum not in SAYS.get(factor, ())]


def _age_years() -> pl.Expr:
    since = (pl.col("month") - pl.col("in_service_on")).dt.total_days() / 365.25
    return pl.coalesce(since, pl.col("month").dt.year().cast(pl.Float64) - pl.col("model_year"))


def _classed(value: pl.Expr, bounds: tuple[int, ...], unit: str) -> pl.Expr:
    return pl.coalesce(
        pl.when(value < bounds[0]).then(pl.lit(f"under {bounds[0]:,} {unit}")),
        *(pl.when(value < high).then(pl.lit(f"{low:,} to {high:,} {unit}")) for low, high in pairwise(bounds)),
        pl.when(value >= bounds[-1]).then(pl.lit(f"{bounds[-1]:,} {unit} and more")),
    )
