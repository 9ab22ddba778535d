"""How long work holds, by kind of work, part, batch and workshop: jobs in, survival curves with their intervals out."""

import numpy as np
import polars as pl
from scipy.stats import norm

from pipelines.handover import Float64s, Int64s
from pipelines.recurring.exposure import DAYS_PER_MONTH

LEAST_JOBS = 5  # of a level before its curve says anything (judgement)
BY = ("all", "kind", "component", "part_number", "part_batch", "workshop")
PARTS = ("part_number", "part_batch")  # of which what was never the trouble is only watched until then
SCHEMA = pl.Schema(
    {
        "factor": pl.String(), "level": pl.String(), "component": pl.String(), "days": pl.Int64(),
        "at_risk": pl.Int64(), "standing": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(),
        "jobs": pl.Int64(), "returned": pl.Int64(),
    }
)  # fmt: skip


def repair_survival(stood: pl.DataFrame) -> pl.DataFrame:
    """Share of work that still stands so many days later, for each level of BY that has LEAST_JOBS.

    Args:
        stood: From `jobs`; a job ends when it came back, or is watched until the vehicle was last read.

    Returns:
        SCHEMA, sorted: one row per day on which something came back, one at 0 and one at the last day watched.
        `at_risk` is how many were still watched on that day; `component` is the level's where it has one alone; `low`
        and `high` are 95 % limits; `jobs` and `returned` are the level's.
    """
    timed = stood.with_columns(all=pl.lit("all work"), days=(pl.col("exposure") * DAYS_PER_MONTH).ceil().cast(pl.Int64))
    parts = [
        kaplan_meier(
            timed.filter(pl.col(factor).is_not_null()).select(
                "days",
                "component",
                factor=pl.lit(factor),
                level=pl.col(factor),
                returned=pl.col("failed" if factor in PARTS else "returned"),
            )
        )
        for factor in BY
    ]
    return pl.concat(parts).filter(pl.col("jobs") >= LEAST_JOBS).sort("factor", "level", "days").select(SCHEMA.names())


def kaplan_meier(timed: pl.DataFrame, *, confidence: float = 0.95) -> pl.DataFrame:
    """Product-limit curves of every `factor` and `level` at once.

    The variance is Greenwood's (1926), the limits those of the logarithm of the cumulative hazard (Kalbfleisch and
    Prentice 1980), which stay between 0 and 1. Until anything came back, and when nothing stands any more, the other
    limit is the exact binomial one of those still watched (Clopper and Pearson 1934).

    Args:
        timed: `factor, level, component, days` (whole, 0 or more), `returned` (bool: it ended then; false: it was last
            seen then).
        confidence: Of the limits.
    """
    of = ["factor", "level"]
    alone = pl.when(pl.col("component").n_unique().over(of) == 1).then("component")
    per_day = (
        timed.with_columns(component=alone)
        .group_by(*of, "days")
        .agg(pl.col("component").first(), ended=pl.len(), back=pl.col("returned").sum().cast(pl.Int64))
        .sort(*of, "days")
        .with_columns(jobs=pl.col("ended").sum().over(of).cast(pl.Int64), returned=pl.col("back").sum().over(of))
        .with_columns(at_risk=pl.col("jobs") - (pl.col("ended").cum_sum() - pl.col("ended")).over(of).cast(pl.Int64))
    )
    begin = per_day.unique(of, keep="first", maintain_order=True).with_columns(
        days=pl.lit(0, pl.Int64), at_risk="jobs", back=pl.lit(0, pl.Int64)
    )
    steps = pl.concat([begin, per_day.filter(pl.col("days") > 0)]).sort(*of, "days")
    risk, back = pl.col("at_risk"), pl.col("back")
    curve = steps.with_columns(
        standing=(1 - back / risk).cum_prod().over(of),
        variance=pl.when(risk > back).then(back / (risk * (risk - back))).otherwise(0.0).cum_sum().over(of),
        last=pl.col("days") == pl.col("days").max().over(of),
    ).filter((back > 0) | (pl.col("days") == 0) | pl.col("last"))
    standing, variance, at_risk = (curve[name].to_numpy() for name in ("standing", "variance", "at_risk"))
    low, high = _limits(standing, variance, at_risk, confidence)
    limits = curve.with_columns(low=pl.Series(low), high=pl.Series(high))
    begins = pl.col("days") == 0
    return (
        limits.with_columns(pl.when(begins & (pl.col("back") == 0)).then(1.0).otherwise("low").alias("low"))
        .select(SCHEMA.names())
        .cast(SCHEMA)
    )


def _limits(standing: Float64s, variance: Float64s, at_risk: Int64s, confidence: float) -> tuple[Float64s, Float64s]:
    """Limits of curves at each step; where all stand, or none does, the exact binomial one of those at risk."""
    z = norm.isf((1 - confidence) / 2)
    inside = (standing > 0) & (standing < 1)
    share = np.where(inside, standing, 0.5)
    width = z * np.sqrt(variance) / np.abs(np.log(share))
    exact = ((1 - confidence) / 2) ** (1 / np.maximum(at_risk, 1))
    low = np.where(inside, share ** np.exp(width), np.where(standing >= 1, exact, 0.0))
    high = np.where(inside, share ** np.exp(-width), np.where(standing >= 1, 1.0, 1 - exact))
    return low, high


def standing_at(curve: pl.DataFrame, days: int, *, confidence: float = 0.95) -> tuple[float, float, float] | None:
    """Share of one level's work that stands so many days later, with its limits; None: none was watched so long.

    Args:
        curve: Rows of SCHEMA of one level.
        days: Since the work.
        confidence: Of the lower limit where nothing had come back by then.
    """
    if curve["days"].max() < days:  # type: ignore[operator]  # whole numbers
        return None
    at = curve.filter(pl.col("days") <= days).sort("days").row(-1, named=True)
    if at["standing"] < 1:
        return at["standing"], at["low"], at["high"]
    still = curve.filter(pl.col("days") >= days)["at_risk"].max()
    return 1.0, float(((1 - confidence) / 2) ** (1 / int(str(still)))), 1.0
