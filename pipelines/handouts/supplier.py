"""What a part's supplier is shown: published tables in, one record of texts and numbers a part out; no file."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import polars as pl

from pipelines.figure_words import percent
from pipelines.recurring.survival import standing_at
from pipelines.recurring.warranty import WARRANTY_MONTHS

BY_PART = ("part_batch", "part_number")  # factors of findings that a supplier is told of
AFTER_DAYS = (90, 180, 365)
MOST_CURVES = 5
NEEDED = ("recurring_issue", "repair_outcome", "repair_survival")
BASIS = (
    f"Warranty is reckoned as {WARRANTY_MONTHS} months from fitting unless agreed otherwise. A part came back when its "
    "trouble code was set again, it was mended again, or its learned corrections departed again; parts that were never "
    "the trouble are left out. Limits hold 95 times in a hundred."
)


def suppliers_of(
    published: Mapping[str, pl.DataFrame], *, vehicles: pl.DataFrame, names: Mapping[str, str]
) -> list[dict[str, Any]]:
    """One record a part of which something came back inside the warranty, or of whose batches a finding speaks.

    Args:
        published: NEEDED, of one as_of; where one is missing (a store of an earlier release) there is no record.
        vehicles: `vehicle_id, vin`.
        names: What components are called.
    """
    if any(name not in published or "in_warranty" not in published["repair_outcome"].columns for name in NEEDED):
        return []
    outcome, issues, survival = published["repair_outcome"], published["recurring_issue"], published["repair_survival"]
    came = outcome.filter(pl.col("in_warranty"))
    told = _told(issues, outcome)
    vins = dict(vehicles.select("vehicle_id", "vin").iter_rows())
    parts = sorted({*came["component"].to_list(), *told["component"].to_list()})
    found = []
    for part in parts:
        back = came.filter(pl.col("component") == part).sort("part_batch", "back_at", "vehicle_id", nulls_last=True)
        about = told.filter(pl.col("component") == part)
        title = names.get(part, part)
        found.append(
            {
                "part": title,
                "component": part,
                "summary": _summary(back),
                "findings": about["title"].to_list(),
                **_curves(title, survival.filter(pl.col("component") == part), first=about["level"].to_list()),
                "comebacks": [_comeback(row, vins) for row in back.iter_rows(named=True)],
                "basis": BASIS,
            }
        )
    return found


def _told(issues: pl.DataFrame, outcome: pl.DataFrame) -> pl.DataFrame:
    """Findings about batches and part numbers with the `component` that they are of."""
    fitted = pl.concat(
        [outcome.select("component", factor=pl.lit(by), level=pl.col(by)).drop_nulls().unique() for by in BY_PART]
    )
    return issues.filter(pl.col("factor").is_in(BY_PART)).join(fitted, on=["factor", "level"])


def _summary(back: pl.DataFrame) -> str:
    vehicles = back["vehicle_id"].n_unique()
    return f"{back.height} came back inside the warranty, on {vehicles} vehicle{'' if vehicles == 1 else 's'}."


def _curves(title: str, survival: pl.DataFrame, *, first: list[str]) -> dict[str, Any]:
    """Curves of a part, its numbers and batches, those that findings speak of first, and the longest time watched."""
    curves = survival.filter(pl.col("factor").is_in(["component", *BY_PART]))
    order = curves.unique(["factor", "level"]).sort("jobs", "level", descending=[True, False]).to_dicts()
    order.sort(key=lambda row: (row["level"] not in first, row["factor"] != "component"))
    steps = [curves.filter(factor=row["factor"], level=row["level"]) for row in order]
    longest = max((int(curve["days"].to_list()[-1]) for curve in steps), default=1) or 1
    named = [(_name(row, title), row, curve) for row, curve in zip(order, steps, strict=True)]
    return {
        "curves": [_drawn(name, curve, longest) for name, _, curve in named[:MOST_CURVES]],
        "days": str(longest),
        "levels": [_level(name, row, curve) for name, row, curve in named],
    }


def _name(row: Mapping[str, Any], title: str) -> str:
    return {"component": f"{title}, all", "part_number": f"part {row['level']}"}.get(
        row["factor"], f"batch {row['level']}"
    )


def _drawn(name: str, curve: pl.DataFrame, longest: int) -> dict[str, Any]:
    """Steps of a curve and the outline of its limits, between 0 and 1 each way."""

    def steps(values: list[float]) -> list[list[float]]:
        found, last = [], values[0]
        for day, value in zip(curve["days"].to_list(), values, strict=True):
            found += [[day / longest, last], [day / longest, value]]
            last = value
        return found

    low, high = steps(curve["low"].to_list()), steps(curve["high"].to_list())
    return {"name": name, "points": steps(curve["standing"].to_list()), "band": [*high, *reversed(low)]}


def _level(name: str, row: Mapping[str, Any], curve: pl.DataFrame) -> dict[str, Any]:
    return {
        "name": name,
        "jobs": str(row["jobs"]),
        "returned": str(row["returned"]),
        "shares": [_standing(curve, days) for days in AFTER_DAYS],
    }


def _standing(curve: pl.DataFrame, days: int) -> str:
    """The share that stands so many days later with its limits; nobody was watched so long: says so."""
    at = standing_at(curve, days)
    return "not watched so long" if at is None else f"{percent(at[0])} ({percent(at[1])} to {percent(at[2])})"


def _comeback(row: Mapping[str, Any], vins: Mapping[str, str | None]) -> dict[str, str]:
    return {
        "vehicle": row["vehicle_id"],
        "vin": vins.get(row["vehicle_id"]) or "",
        "part_number": row["part_number"] or "",
        "batch": row["part_batch"] or "",
        "fitted": _when(row["done_at"], row["odometer_km"]),
        "back": _when(row["back_at"], row["back_km"]),
        "days": str((row["back_at"] - row["done_at"]).days),
        "evidence": row["evidence"],
    }


def _when(at: datetime, km: float | None) -> str:
    return f"{at:%Y-%m-%d}" + ("" if km is None else f", {km:,.0f} km")
