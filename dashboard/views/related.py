"""How two corrections go together over the fleet at a date: newest values, and their rank correlation."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import norm

from dashboard.views import factors
from dashboard.views.joined import Choice
from dashboard.views.spread import newest
from dashboard.views.trends import can_have
from dashboard.views.wording import Reader, count, number, sentence

MOST_POINTS = 1_500  # more points than this hide each other and slow the browser; then vehicles are counted in fields
FIELDS = 30  # a side, of the fields in which vehicles are counted
LEAST_VEHICLES = 10  # of fewer the interval's approximation does not hold (Bonett and Wright 2000)
SURE = 0.95


@dataclass(frozen=True, kw_only=True)
class RelatedView:
    """The look: a sentence, each vehicle's two values, and the rank correlation in each group.

    Attributes:
        sentence: The answer in words.
        rows: One row a vehicle: `vehicle_id, group, across, up`.
        fields: Where there are more vehicles than MOST_POINTS: `across, across_end, up, up_end, vehicles`; else empty.
        groups: `group, vehicles, rank_correlation, low, high`; null: too few vehicles, or all alike.
        empty_reason: Why there is nothing to see.
    """

    sentence: str
    rows: pl.DataFrame
    fields: pl.DataFrame
    groups: pl.DataFrame
    empty_reason: str = ""


def related(
    values: tuple[pl.DataFrame, pl.DataFrame],
    states: tuple[pl.DataFrame, pl.DataFrame],
    *,
    corrections: tuple[Mapping[str, Any], Mapping[str, Any]],
    places: pl.DataFrame,
    by: Sequence[str],
    choice: Choice,
    measure: str,
    at: datetime,
    reader: Reader,
) -> RelatedView:
    """Two corrections of the vehicles that can have both, at a time.

    Args:
        values: Readings of each: `vehicle_id, read_at, value, calibration`.
        states: Rows of `correction_state` of each.
        corrections: Catalogue row of each.
        places: Of `factors.places_of`.
        by: Factors of the groups.
        choice: Depots, engine families and calibrations to keep.
        measure: One of `spread.MEASURES`, for both.
        at: The time.
        reader: Whose clock it is written for.
    """
    across, up = (
        newest(read, can_have(places, of), by=by, choice=choice, measure=measure, at=at)
        for read, of in zip(values, states, strict=True)
    )
    both = across.select("vehicle_id", "group", across="value").join(
        up.select("vehicle_id", up="value"), on="vehicle_id", how="inner", maintain_order="left"
    )
    rows = factors.few(both)
    groups = _correlations(rows)
    return RelatedView(
        sentence=_sentence(rows, groups, corrections, at, reader),
        rows=rows,
        fields=_fields(rows) if rows.height > MOST_POINTS else _fields(rows.clear()),
        groups=groups,
        empty_reason="" if rows.height else "No vehicle that matches this choice read both lately.",
    )


def rank_correlation(across: pl.Series, up: pl.Series) -> tuple[float, float, float] | None:
    """Spearman's rank correlation with its 95 % interval; None: too few vehicles, or all of them alike in one.

    Source: Bonett and Wright (2000), Psychometrika 65(1), 23-28: the standard error of its Fisher transform.
    """
    vehicles = across.len()
    if vehicles < LEAST_VEHICLES:
        return None
    found = pl.select(pl.corr(across.rank(), up.rank())).item()
    if found is None or not np.isfinite(found):
        return None
    middle = np.arctanh(np.clip(found, -1 + 1e-12, 1 - 1e-12))
    half = norm.ppf((1 + SURE) / 2) * np.sqrt((1 + found**2 / 2) / (vehicles - 3))
    return float(found), float(np.tanh(middle - half)), float(np.tanh(middle + half))


def _correlations(rows: pl.DataFrame) -> pl.DataFrame:
    named = [(name, rows.filter(pl.col("group") == name)) for name in factors.in_order(rows["group"].to_list())]
    parts = [*named, *([("all together", rows)] if len(named) > 1 else [])]
    found = [
        (name, part.height, *(rank_correlation(part["across"], part["up"]) or (None,) * 3)) for name, part in parts
    ]
    schema = {"group": pl.String, "vehicles": pl.Int64} | dict.fromkeys(("rank_correlation", "low", "high"), pl.Float64)
    return pl.DataFrame(found, schema=schema, orient="row")


def _fields(rows: pl.DataFrame) -> pl.DataFrame:
    """Vehicles counted in equal fields between the 0.5th and the 99.5th percentile; those beyond count at the edge."""
    placed = rows
    for name in ("across", "up"):
        low, high = np.quantile(rows[name].to_numpy(), [0.005, 0.995]) if rows.height else (0.0, 1.0)
        width = float(high - low) / FIELDS or 1.0
        start = ((pl.col(name) - low) / width).floor().clip(0, FIELDS - 1) * width + low
        placed = placed.with_columns(start.alias(name)).with_columns((pl.col(name) + width).alias(f"{name}_end"))
    return (
        placed.group_by("across", "across_end", "up", "up_end")
        .agg(vehicles=pl.len().cast(pl.Int64))
        .sort("across", "up")
    )


def _sentence(
    rows: pl.DataFrame,
    groups: pl.DataFrame,
    corrections: tuple[Mapping[str, Any], Mapping[str, Any]],
    at: datetime,
    reader: Reader,
) -> str:
    first, second = (str(each["title"]) for each in corrections)
    pair = f"{sentence(first)} and {second}"
    if not rows.height:
        return f"{pair} were not both read lately."
    row = groups.row(-1, named=True)
    if row["rank_correlation"] is None:
        return f"{pair} on {reader.day(at)}: {count(rows.height, 'vehicle')}, too few or too much alike to say."
    between = (
        f"rank correlation {number(row['rank_correlation'])}, between {number(row['low'])} and {number(row['high'])}"
    )
    if row["low"] <= 0 <= row["high"]:
        verdict = "cannot be told to go together"
    else:
        verdict = f"{'rise together' if row['low'] > 0 else 'go opposite ways'} from vehicle to vehicle"
    return f"{pair} {verdict}: {between} ({count(rows.height, 'vehicle')}, {reader.day(at)})."
