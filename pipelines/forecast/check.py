"""How far to trust the forecasts: scored forecasts in, measures with intervals over vehicles out.

Each measure stands beside that of the reference, a forecast from least leeway alone learned on the same past.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.forecast.reliability import calibration_watch, reliability_curve
from pipelines.forecast.scores import auc, average_precision, brier, brier_skill, calibration_line, decompose
from pipelines.handover import Float64s

RESAMPLES = 100  # of vehicles, for intervals; for speed

Measure = Callable[[Float64s, Float64s, Float64s], float]  # forecast, fault, weight -> figure


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One row of `forecast_check`, without its horizon."""

    measure: str
    value: float | None
    low: float | None
    high: float | None
    reference: float | None


def check_tables(past: pl.DataFrame, *, seed: int) -> dict[str, pl.DataFrame]:
    """`forecast_check`, `forecast_curve` and `forecast_watch` from scored forecasts (see `pipelines.backtest`)."""
    horizons = past["horizon_days"].unique().sort()
    parts = [past.filter(pl.col("horizon_days") == horizon) for horizon in horizons]
    rows = [
        {"horizon_days": horizon, **vars(figure)}
        for horizon, part in zip(horizons, parts, strict=True)
        for figure in _figures(part, seed=seed)
    ]
    known = [part.filter("known") for part in parts]
    return {
        "forecast_check": pl.DataFrame(rows, schema=published_tables()["forecast_check"].schema)
        .fill_nan(None)
        .sort("horizon_days", "measure"),
        "forecast_curve": pl.concat([reliability_curve(part) for part in known]),
        "forecast_watch": pl.concat([calibration_watch(part) for part in known]),
    }


def _figures(every: pl.DataFrame, *, seed: int) -> list[Figure]:
    """All measures of one horizon."""
    every = every.with_columns(
        chosen_by_leeway=pl.col("leeway_alone").rank("ordinal", descending=True).over("forecast_at")
        <= pl.col("chosen").sum().over("forecast_at")
    )
    rows = every.filter("known")
    counts = [
        _count("rows", rows.height),
        _count("faults", len(_leads(rows.filter("fault")))),
        _count("dates", every["forecast_at"].n_unique()),
        _count("outcome_not_known", every.height - rows.height),
        _count("first_k", every.filter("chosen").height / every["forecast_at"].n_unique()),
    ]
    if rows.is_empty():
        return counts
    fault, weight = rows["fault"].cast(pl.Float64).to_numpy(), rows["weight"].to_numpy()
    column = {name: rows[name].cast(pl.Float64).to_numpy() for name in COLUMNS}
    draws = _draws(rows, seed=seed)

    def figure(name: str, value: Callable[[Float64s], float], reference: float) -> Figure:
        sampled = np.array([value(weight * drawn) for drawn in draws])
        finite = sampled[np.isfinite(sampled)]
        low, high = np.quantile(finite, [0.05, 0.95]) if len(finite) else (np.nan, np.nan)
        return Figure(measure=name, value=value(weight), low=float(low), high=float(high), reference=reference)

    found = []
    for name, measure, of, beside in _measured():
        figures = _bound(measure, column[of], fault)
        found.append(figure(name, figures, measure(column[beside], fault, weight)))
    gain = _difference(
        _bound(brier_skill, column["probability"], fault), _bound(brier_skill, column["leeway_alone"], fault)
    )
    found.append(figure("brier_skill_above_leeway", gain, 0.0))
    return [*found, _lead_time(rows), *counts]


COLUMNS = ("probability", "leeway_alone", "largest_deviation", "chosen", "chosen_by_leeway")


def _measured() -> list[tuple[str, Measure, str, str]]:
    """Name, measure, column measured and column of the reference."""
    plain = [(name, measure, "probability", "leeway_alone") for name, measure in MEASURES.items()]
    beside = [
        (f"{name}_of_largest_deviation", MEASURES[name], "largest_deviation", "leeway_alone")
        for name in ("brier_skill", "auc", "average_precision")
    ]
    first_k = [
        ("caught_among_first_k", _caught, "chosen", "chosen_by_leeway"),
        ("alerts_per_100_healthy", _alerts, "chosen", "chosen_by_leeway"),
    ]
    return [*plain, *beside, *first_k]


def _ratio_from(least: float) -> Measure:
    """Observed over expected faults among forecasts of at least that much."""

    def ratio(forecast: Float64s, fault: Float64s, weight: Float64s) -> float:
        above = weight * (forecast >= least)
        expected = (above * forecast).sum()
        return float((above * fault).sum() / expected) if expected > 0 else float("nan")

    return ratio


def _share(part: str) -> Measure:
    """A part of the Brier score's decomposition, in shares of the uncertainty."""

    def share(forecast: Float64s, fault: Float64s, weight: Float64s) -> float:
        if not 0 < (weight * fault).sum() < weight.sum():
            return float("nan")
        parts = decompose(forecast, fault, weight)
        return float(getattr(parts, part)) / parts.uncertainty

    return share


def _slope(forecast: Float64s, fault: Float64s, weight: Float64s) -> float:
    return calibration_line(forecast, fault, weight)[0]


def _intercept(forecast: Float64s, fault: Float64s, weight: Float64s) -> float:
    return calibration_line(forecast, fault, weight)[1]


def _caught(chosen: Float64s, fault: Float64s, weight: Float64s) -> float:
    """Share of the faults that were among the first K of their date."""
    faults = (weight * fault).sum()
    return float((weight * fault * chosen).sum() / faults) if faults > 0 else float("nan")


def _alerts(chosen: Float64s, fault: Float64s, weight: Float64s) -> float:
    """Vehicles among the first K per hundred that set no fault within the horizon."""
    healthy = weight * (1 - fault)
    return float(100 * (healthy * chosen).sum() / healthy.sum()) if healthy.sum() > 0 else float("nan")


MEASURES: dict[str, Measure] = {
    "brier": brier,
    "brier_skill": brier_skill,
    "auc": auc,
    "average_precision": average_precision,
    "calibration_slope": _slope,
    "calibration_intercept": _intercept,
    "observed_over_expected": _ratio_from(0.0),
    "observed_over_expected_from_5_percent": _ratio_from(0.05),
    "observed_over_expected_from_20_percent": _ratio_from(0.20),
    "miscalibration_share": _share("miscalibration"),
    "discrimination_share": _share("discrimination"),
}


def _bound(measure: Measure, forecast: Float64s, fault: Float64s) -> Callable[[Float64s], float]:
    return lambda weight: measure(forecast, fault, weight)


def _difference(a: Callable[[Float64s], float], b: Callable[[Float64s], float]) -> Callable[[Float64s], float]:
    return lambda weight: a(weight) - b(weight)


def _draws(rows: pl.DataFrame, *, seed: int) -> list[Float64s]:
    """How often each row enters each resample of the vehicles."""
    vehicle = rows["vehicle_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
    kinds = int(vehicle.max()) + 1
    rng = np.random.default_rng(seed)
    return [rng.multinomial(kinds, np.full(kinds, 1 / kinds))[vehicle].astype(np.float64) for _ in range(RESAMPLES)]


def _count(name: str, value: float) -> Figure:
    return Figure(measure=name, value=float(value), low=float(value), high=float(value), reference=None)


def _leads(faults: pl.DataFrame) -> pl.Series:
    """Longest lead of each distinct fault, d."""
    hours = (pl.col("lead_days") * 24).round().cast(pl.Int64)
    set_on = (pl.col("forecast_at") + pl.duration(hours=hours)).dt.round("1h")
    return (
        faults.with_columns(set_on=set_on).group_by("vehicle_id", "set_on").agg(pl.col("lead_days").max())["lead_days"]
    )


def _lead_time(rows: pl.DataFrame) -> Figure:
    """Days from a vehicle's first place among the first K to its fault: median and the middle 90 % of faults caught."""
    leads = _leads(rows.filter("fault", "chosen"))
    reference = _leads(rows.filter("fault", "chosen_by_leeway")).median()
    low, middle, high = (leads.quantile(q, interpolation="linear") for q in (0.05, 0.5, 0.95))
    return Figure(
        measure="lead_time_days", value=middle, low=low, high=high,
        reference=None if reference is None else float(str(reference)),
    )  # fmt: skip
