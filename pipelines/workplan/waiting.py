"""What waiting risks: chance of a fault within days, the day from which a visit pays, and what a later one costs."""

import math
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl

AHEAD_DAYS = 90  # over which waiting is priced: the longest horizon of the forecast
FARTHEST_DAYS = 365  # beyond which nobody plans work on today's figures (judgement)
EVERY_DAYS = 7  # between the days of a curve
HORIZONS = (7, 30, 90)
WAITING_COST = pl.Schema(
    [("vehicle_id", pl.String()), ("days", pl.Int64()), *((name, pl.Float64()) for name in ("cost", "low", "high"))]
)
Limits = tuple[datetime, datetime, datetime | None]  # met with 10, 50, 90 in a hundred by then


def chance_within(days: float, p7: float, p30: float, p90: float) -> float:
    """Chance of a fault within so many days: hazard constant between the forecast's horizons, and after the last.

    Args:
        days: From as_of on, at least 0.
        p7: Chance within 7 days, 0 to 1; p30 and p90 likewise.
        p30: See p7.
        p90: See p7.
    """
    knots = [(0, 0.0), *((h, -math.log1p(-min(p, 1 - 1e-9))) for h, p in ((7, p7), (30, p30), (90, p90)))]
    for (begin, low), (end, high) in pairwise(knots):
        if days <= end or end == AHEAD_DAYS:
            return 1 - math.exp(-(low + max(high - low, 0.0) * (days - begin) / (end - begin)))
    raise AssertionError


def pays_from(row: dict[str, Any], limits: Limits | None, as_of: datetime) -> date | None:
    """First day on which a visit costs less than waiting 90 days from then is expected to; None: none within a year.

    The chance of a fault in the 90 days after a day is that of the forecast, given none before, or that of meeting the
    soonest limit by then, whichever is greater. A reading, what stands, and what must come this week pay at once.

    Args:
        row: The job with `asks`, `urgency`, `standing_codes`, p7, p30, p90, `cost_of_fault`, `visit_cost`,
            `part_price`, `found` (chance that the visit finds the trouble), `still_to_come` (chance that the same work
            is to come anyway).
        limits: Of its soonest limit date; None: none is foreseen.
        as_of: From when on days count.
    """
    today = as_of.date()
    at_once = row["asks"] == "reading" or row["urgency"] in {"off_road", "this_week"} or row["standing_codes"]
    if at_once or row["lane"] == "dealer":
        return today
    for days in range(FARTHEST_DAYS + 1):
        fault = max(_later(days, row), _limit_met(days + AHEAD_DAYS, limits, as_of))
        unplanned = fault * row["cost_of_fault"]
        waiting = unplanned + (1 - fault) * row["still_to_come"] * (row["visit_cost"] + row["part_price"])
        now = row["visit_cost"] + row["found"] * row["part_price"] + (1 - row["found"]) * unplanned
        if now <= waiting:
            return today + timedelta(days=days)
    return None


def _later(days: int, row: dict[str, Any]) -> float:
    """Chance of a fault in the 90 days after so many, given none before."""
    chances = (row["p7"], row["p30"], row["p90"])
    before, after = chance_within(days, *chances), chance_within(days + AHEAD_DAYS, *chances)
    return (after - before) / max(1 - before, 1e-9)


def _limit_met(days: float, limits: Limits | None, as_of: datetime) -> float:
    """Chance that the limit is met within so many days, straight between its quantiles; 0 before half of the first."""
    if limits is None:
        return 0.0
    p10, p50, p90 = ((at - as_of).total_seconds() / 86400 if at is not None else None for at in limits)
    knots = [(p10, 0.1), (p50, 0.5), *([(p90, 0.9)] if p90 is not None else [])]
    met = 0.0
    for (begin, low), (end, high) in pairwise(knots):
        if begin is not None and end is not None and days >= begin:
            met = low + (high - low) * min((days - begin) / max(end - begin, 1e-9), 1.0)
    return met


def waiting_costs(jobs: pl.DataFrame, forecast: pl.DataFrame) -> pl.DataFrame:
    """What work is expected to cost if the visit is so many days away, with the faults that may come before it.

    Of work in own bays without a standing code: where one stands, the fault that waiting risks has happened.

    Args:
        jobs: Rows of `jobs`: vehicle_id, asks, lane, urgency, standing_codes, visit_cost, part_price, found,
            cost_of_fault and standing.
        forecast: The contract's fault_forecast.

    Returns:
        vehicle_id, days (0, 7, ... 84), cost, and low and high by the forecast's 90 % interval; money. A vehicle off
        the road stands until then.
    """
    likely = pl.col("probability")
    ends = {"probability": likely, "low": pl.col("low").fill_null(likely), "high": pl.col("high").fill_null(likely)}
    chances = forecast.group_by("vehicle_id").agg(
        end.filter(pl.col("horizon_days") == days).first().fill_null(0.0).alias(f"{name}_{days}")
        for name, end in ends.items()
        for days in HORIZONS
    )
    open_jobs = pl.col("asks").eq("work") & pl.col("lane").eq("bay") & pl.col("standing_codes").is_null()
    priced = jobs.filter(open_jobs).join(chances, on="vehicle_id").sort("vehicle_id")
    days = np.arange(0, AHEAD_DAYS, EVERY_DAYS)
    cost = {name: _costs(priced, name, days) for name in ends}
    return pl.DataFrame(
        {
            "vehicle_id": np.repeat(priced["vehicle_id"].to_numpy(), days.size),
            "days": np.tile(days, priced.height),
            "cost": cost["probability"].ravel(),
            "low": np.minimum(cost["low"], cost["probability"]).ravel(),
            "high": np.maximum(cost["high"], cost["probability"]).ravel(),
        },
        schema=WAITING_COST,
    )


def _costs(priced: pl.DataFrame, chance: str, days: np.ndarray) -> np.ndarray:
    """Vehicles by days: expected cost with the forecast's chances of that name."""
    ahead = [np.minimum(priced[f"{chance}_{horizon}"].to_numpy(), 1 - 1e-9) for horizon in HORIZONS]
    risk = np.maximum.accumulate(np.stack([np.zeros(priced.height), *(-np.log1p(-p) for p in ahead)], axis=1), axis=1)
    ends = np.array([0, *HORIZONS])
    reached = np.clip((days[:, None] - ends[:-1]) / np.diff(ends), 0, 1)
    before, within = -np.expm1(-np.diff(risk, axis=1) @ reached.T), -np.expm1(-risk[:, -1:])
    unplanned, visit, found, part, standing = (
        priced[name].to_numpy()[:, None] for name in ("cost_of_fault", "visit_cost", "found", "part_price", "standing")
    )
    parked = np.where((priced["urgency"] == "off_road").to_numpy()[:, None], standing * days, 0.0)
    on_the_day = (1 - before) * (visit + found * part) + (1 - found) * (within - before) * unplanned
    return np.asarray(before * unplanned + on_the_day + parked)
