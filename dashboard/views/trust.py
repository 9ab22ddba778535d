"""How far to trust the forecast: what came true of what was said, in plain words first."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.views.wording import number, percent

UNCHECKED = (
    "The forecast of this fleet has not been checked against what came after: no backtest was run. "
    "Take its figures as a first estimate."
)
HOW_TO_CHECK = "leeway backtest --from DATE --to DATE --every DAYS"


@dataclass(frozen=True, kw_only=True)
class TrustView:
    """The page: sentences by horizon, the measures with words, and the reliability curve."""

    sentences: list[str]
    measures: pl.DataFrame
    curve: pl.DataFrame
    empty_reason: str = ""


CURVE_SCHEMA = pl.Schema(
    {
        "horizon_days": pl.Int64(),
        "forecast": pl.Float64(),
        "observed": pl.Float64(),
        "low": pl.Float64(),
        "high": pl.Float64(),
        "vehicles": pl.Int64(),
    }
)

MEASURES: dict[str, tuple[str, str]] = {  # measure -> its name for a reader, what a good figure is
    "brier": ("Brier score", "mean squared error of the chances; smaller is better"),
    "skill": ("Skill against the base rate", "0: no better than saying the same for all; 1: perfect"),
    "auc": ("Ranking (ROC area)", "0.5: chance; 1: every faulting vehicle was ranked above every other"),
    "average_precision": ("Precision over recall", "the higher above the base rate, the better"),
    "calibration_slope": ("Calibration slope", "1: chances are as spread as they should be; below 1: too extreme"),
    "calibration_intercept": ("Calibration intercept", "0: neither too high nor too low overall"),
    "observed_over_expected": ("Faults that came, by faults forecast", "1: as many as said"),
    "base_rate": ("Share that had a fault", "what guessing the same for all would say"),
}


def trust(forecast_check: pl.DataFrame, curve: pl.DataFrame, *, horizon_days: int) -> TrustView:
    """What the backtest says of one horizon.

    Args:
        forecast_check: Published table.
        curve: `horizon_days, forecast, observed, low, high, vehicles`; may have no row.
        horizon_days: 7, 30 or 90.
    """
    mine = forecast_check.filter(pl.col("horizon_days") == horizon_days)
    bins = curve.filter(pl.col("horizon_days") == horizon_days).sort("forecast")
    rows = mine.to_dicts()
    return TrustView(
        sentences=[*_curve_sentences(bins, horizon_days), *_measure_sentences(rows)],
        measures=mine.select(
            name=pl.col("measure").replace_strict(
                {m: w[0] for m, w in MEASURES.items()}, default=pl.col("measure").str.replace_all("_", " ")
            ),
            value="value",
            low="low",
            high="high",
            reference="reference",
            meaning=pl.col("measure").replace_strict(
                {m: w[1] for m, w in MEASURES.items()}, default=None, return_dtype=pl.String
            ),
        ),
        curve=bins,
        empty_reason="" if mine.height else UNCHECKED,
    )


def _curve_sentences(bins: pl.DataFrame, horizon_days: int) -> list[str]:
    """'Of 100 vehicles given 30 %, 28 had a fault within 30 days.' for the bins with most to say."""
    return [_curve_sentence(row, horizon_days) for row in bins.to_dicts() if row["vehicles"]]


def _curve_sentence(row: Mapping[str, Any], horizon_days: int) -> str:
    came, low, high = (number(100 * row[name]) for name in ("observed", "low", "high"))
    return (
        f"Of 100 vehicles given {percent(row['forecast'])}, {came} had a fault within {horizon_days} days "
        f"(between {low} and {high}; from {row['vehicles']:,} forecasts)."
    )


def _measure_sentences(rows: list[dict[str, Any]]) -> list[str]:
    found: Mapping[str, dict[str, Any]] = {row["measure"]: row for row in rows}
    said = []
    ratio = found.get("observed_over_expected")
    if ratio and ratio["value"] is not None:
        said.append(f"For every 100 faults forecast, {number(100 * ratio['value'])} came.")
    return said


def unchecked_warning(forecast_check: pl.DataFrame) -> str:
    """What other pages say beside a forecast that was never checked; empty where it was."""
    return "" if forecast_check.height else "The forecast is unchecked: no backtest was run yet."
