"""Parts that are mended again and again on one vehicle: work rows in, rows of `recurring_issue` out."""

import hashlib
from collections.abc import Mapping

import polars as pl
from scipy.stats import false_discovery_control, poisson

from pipelines.catalogue.tables import published_tables
from pipelines.recurring.rates import poisson_limits

LEAST_TIMES = 3  # jobs on one part of one vehicle before it is asked about
WORTH_SHOWING = 0.05  # q-value


def repeat_repairs(stood: pl.DataFrame, months: pl.DataFrame, titles: Mapping[str, str]) -> pl.DataFrame:
    """Vehicles on which one part was mended more often than the fleet's rate of that part explains.

    Args:
        stood: From `jobs`.
        months: From `vehicle_months`.
        titles: What components are called.

    Returns:
        The contract's columns; factor `vehicle`, level its id, cause_or_correction the component. The p-value is
        Poisson's for the jobs after the first, at the fleet's rate for that component without this vehicle, judged
        over all vehicles and components with at least two jobs.
    """
    schema = pl.Schema({**published_tables()["recurring_issue"].schema, "events": pl.Int64()})
    same = ["vehicle_id", "component"]
    exposure = months.group_by("vehicle_id").agg(own=pl.col("exposure").sum())
    fleet = float(months["exposure"].sum())
    counted = (
        stood.group_by(*same)
        .agg(times=pl.len(), first_seen_at=pl.col("done_at").min())
        .with_columns(fleet_times=pl.col("times").sum().over("component"))
        .join(exposure, on="vehicle_id")
        .filter((pl.col("times") >= 2) & (pl.col("own") > 0) & (fleet > pl.col("own")))
        .sort(*same)
    )
    if counted.is_empty():
        return pl.DataFrame(schema=schema)
    others = (pl.col("fleet_times") - pl.col("times") + 1) / (fleet - pl.col("own"))  # one more: never zero
    counted = counted.with_columns(expected=others * pl.col("own"))
    p_values = poisson.sf(counted["times"].to_numpy() - 2, counted["expected"].to_numpy())
    rows = [
        _row(row, q, titles, fleet)
        for row, q in zip(counted.to_dicts(), false_discovery_control(p_values, method="bh").tolist(), strict=True)
        if q <= WORTH_SHOWING and row["times"] >= LEAST_TIMES
    ]
    return pl.DataFrame(rows, schema=schema)


def jobs_behind(findings: pl.DataFrame, stood: pl.DataFrame, titles: Mapping[str, str]) -> pl.DataFrame:
    """Of each finding of `repeat_repairs`, the jobs: `issue_id, vehicle_id, at, what`."""
    about = findings.filter(factor="vehicle").select("issue_id", vehicle_id="level", component="cause_or_correction")
    return (
        about.join(stood, on=["vehicle_id", "component"])
        .select(
            "issue_id",
            "vehicle_id",
            at="done_at",
            what=pl.format("{}: {}", pl.col("component").replace(dict(titles)), "kind"),
        )
        .sort("issue_id", "at")
    )


def _row(row: dict[str, float], q_value: float, titles: Mapping[str, str], fleet: float) -> dict[str, object]:
    vehicle, component, times = row["vehicle_id"], row["component"], int(row["times"])
    low, high = poisson_limits(times)
    what = titles.get(str(component)) or str(component)
    return {
        "issue_id": hashlib.sha256(f"vehicle|{vehicle}|{component}".encode()).hexdigest()[:12],
        "title": f"Vehicle {vehicle}: {what} worked on {times} times",
        "factor": "vehicle",
        "level": vehicle,
        "cause_or_correction": component,
        "vehicles": 1,
        "rate": 100 * times / row["own"],
        "fleet_rate": 100 * row["fleet_times"] / fleet,
        "rate_ratio": times / row["expected"],
        "low": low / row["expected"],
        "high": high / row["expected"],
        "q_value": q_value,
        "first_seen_at": row["first_seen_at"],
        "events": times,
    }
