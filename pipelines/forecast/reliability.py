"""Reliability of scored forecasts: by level of forecast, and date by date; a vehicle counts once in each interval."""

import numpy as np
import polars as pl

LEVELS = (0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0)  # of chances that are shown together; judgement
NINETY = 1.645  # standard deviations on either side that hold 90 %; derived


def reliability_curve(rows: pl.DataFrame) -> pl.DataFrame:
    """Observed share of faults at each level of forecast, with a 90 % interval (Wilson, for as many vehicles).

    Args:
        rows: Scored forecasts of one horizon whose outcome is known (see `pipelines.backtest`).

    Returns:
        `horizon_days, bin, forecast, observed, low, high, vehicles, faults`.
    """
    level = np.minimum(np.searchsorted(LEVELS, rows["probability"].to_numpy(), side="right") - 1, len(LEVELS) - 2)
    share, n, z = pl.col("observed"), pl.col("effective"), NINETY
    half = z * (share * (1 - share) / n + z**2 / (4 * n**2)).sqrt()
    return (
        _sums(rows.with_columns(bin=pl.Series(level).cast(pl.Int64)), "bin")
        .with_columns(
            forecast=pl.col("expected") / pl.col("weight"),
            observed=pl.col("hits") / pl.col("weight"),
            effective=pl.col("vehicles").cast(pl.Float64),
        )
        .select(
            "horizon_days",
            "bin",
            "forecast",
            "observed",
            low=pl.min_horizontal(share, ((share + z**2 / (2 * n) - half) / (1 + z**2 / n)).clip(0, 1)),
            high=pl.max_horizontal(share, ((share + z**2 / (2 * n) + half) / (1 + z**2 / n)).clip(0, 1)),
            vehicles=pl.col("vehicles").cast(pl.Int64),
            faults=pl.col("faults").cast(pl.Int64),
        )
        .sort("bin")
    )


def calibration_watch(rows: pl.DataFrame) -> pl.DataFrame:
    """Faults observed after each date beside the expected ones, and the 90 % interval that chance gives them.

    Args:
        rows: Scored forecasts of one horizon whose outcome is known (see `pipelines.backtest`).

    Returns:
        `horizon_days, forecast_at, rows, expected, observed, low, high, inside`.
    """
    spread = NINETY * pl.col("chance").sqrt()
    low, high = (pl.col("expected") - spread).clip(0, None), pl.col("expected") + spread
    return (
        _sums(rows, "forecast_at")
        .select(
            "horizon_days",
            "forecast_at",
            pl.col("rows").cast(pl.Int64),
            "expected",
            observed=pl.col("hits"),
            low=low,
            high=high,
            inside=pl.col("hits").is_between(low, high),
        )
        .sort("forecast_at")
    )


def _sums(rows: pl.DataFrame, key: str) -> pl.DataFrame:
    p, y, w = pl.col("probability"), pl.col("fault").cast(pl.Float64), pl.col("weight")
    return rows.group_by("horizon_days", key).agg(
        rows=pl.len(),
        weight=w.sum(),
        expected=(w * p).sum(),
        hits=(w * y).sum(),
        faults=pl.col("fault").sum(),
        chance=(w**2 * p * (1 - p)).sum(),
        vehicles=pl.col("vehicle_id").n_unique(),
    )
