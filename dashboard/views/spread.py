"""How one correction is spread over the fleet at a date, by group: as read, or against its family's."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from dashboard.views import factors
from dashboard.views.joined import Choice, in_kind_of
from dashboard.views.trends import can_have
from dashboard.views.wording import Reader, amount, count, number, sentence

FRESH_DAYS = 28  # a vehicle counts with its newest reading of so many days before the date (judgement: a month's round)
BINS = 30  # of the histogram, over all groups (judgement: fine enough for two humps, coarse enough for 100 vehicles)
LEAST_PEERS = 5  # vehicles of a family that give it a spread of its own (judgement)
MAD_TO_SIGMA = 1.4826  # of a normal distribution (Hampel 1974)
RAW, STANDARDISED = "as read", "against its family"
MEASURES = (RAW, STANDARDISED)


@dataclass(frozen=True, kw_only=True)
class SpreadView:
    """The look: a sentence, a histogram by group, and each group's quantiles.

    Attributes:
        sentence: The answer in words.
        bins: `group, low, high, share` (0-1 of the group's vehicles), `vehicles`.
        groups: `group, vehicles, p5, p10, p25, median, p75, p90, p95`.
        rows: One row a vehicle: `vehicle_id, group, value, read_at`.
        empty_reason: Why there is nothing to see.
    """

    sentence: str
    bins: pl.DataFrame
    groups: pl.DataFrame
    rows: pl.DataFrame
    empty_reason: str = ""


def spread(
    values: pl.DataFrame,
    states: pl.DataFrame,
    *,
    correction: Mapping[str, Any],
    places: pl.DataFrame,
    by: Sequence[str],
    choice: Choice,
    measure: str,
    at: datetime,
    reader: Reader,
) -> SpreadView:
    """The distribution of the vehicles' newest readings at a time.

    Args:
        values: One row per reading of this correction: `vehicle_id, read_at, value, calibration`.
        states: The correction's rows of `correction_state`.
        correction: Its catalogue row: `code`, `title`, `unit`.
        places: Of `factors.places_of`.
        by: Factors of the groups.
        choice: Depots, engine families and calibrations to keep.
        measure: One of MEASURES.
        at: The time.
        reader: Whose clock it is written for.
    """
    rows = newest(values, can_have(places, states), by=by, choice=choice, measure=measure, at=at)
    rows = factors.few(rows)
    unit = correction["unit"] if measure == RAW else ""
    groups = _quantiles(rows)
    return SpreadView(
        sentence=_sentence(groups, sentence(str(correction["title"])), unit, by=by, on=reader.day(at)),
        bins=_bins(rows),
        groups=groups,
        rows=rows.sort("group", "value", "vehicle_id"),
        empty_reason=""
        if rows.height
        else f"No vehicle that matches this choice read this correction in the {FRESH_DAYS} days before. "
        "Pick another day, or widen the choice above.",
    )


def newest(
    values: pl.DataFrame, places: pl.DataFrame, *, by: Sequence[str], choice: Choice, measure: str, at: datetime
) -> pl.DataFrame:
    """One row a vehicle read lately: `vehicle_id, group, value, read_at`, its newest reading at that time.

    Standardised, a value is its distance from the median of its engine family's vehicles in that time, in times their
    median absolute deviation (scaled to a standard deviation, Hampel 1974); vehicles of families with fewer than
    LEAST_PEERS, or of which most read the same, are then left out.
    """
    fresh = values.filter(pl.col("read_at") > at - timedelta(days=FRESH_DAYS))
    whole = Choice() if measure == STANDARDISED else choice  # a family is what it is, whatever was picked of it
    read = factors.grouped(fresh, places, choice=whole, until=at, group=by)
    last = in_kind_of(read.sort("read_at").unique("vehicle_id", keep="last", maintain_order=True), places)
    if measure == STANDARDISED:
        last = _against_family(last, places, choice)
    return last.select("vehicle_id", "group", "value", "read_at").sort("vehicle_id")


def _against_family(last: pl.DataFrame, places: pl.DataFrame, choice: Choice) -> pl.DataFrame:
    placed = last.join(places.select("vehicle_id", "engine_family", "depot"), on="vehicle_id", how="left")
    centre = pl.col("value").median().over("engine_family")
    off = pl.col("value") - centre
    scale = MAD_TO_SIGMA * off.abs().median().over("engine_family")
    peers = pl.len().over("engine_family")
    known = placed.with_columns(value=pl.when(scale > 0, peers >= LEAST_PEERS).then(off / scale)).drop_nulls("value")
    return choice.of(known, "depot", "engine_family", "calibration")


def _quantiles(rows: pl.DataFrame) -> pl.DataFrame:
    at = {"p5": 0.05, "p10": 0.1, "p25": 0.25, "median": 0.5, "p75": 0.75, "p90": 0.9, "p95": 0.95}
    found = rows.group_by("group").agg(
        pl.len().cast(pl.Int64).alias("vehicles"),
        *(pl.col("value").quantile(share, "linear").alias(name) for name, share in at.items()),
    )
    order = {name: place for place, name in enumerate(factors.in_order(found.get_column("group").to_list()))}
    return found.sort(pl.col("group").replace_strict(order, return_dtype=pl.Int32)) if order else found


def _bins(rows: pl.DataFrame) -> pl.DataFrame:
    """Equal bins from the 0.5th to the 99.5th percentile of all; what lies beyond counts in the first and the last."""
    schema = pl.Schema(
        {"group": pl.String(), "low": pl.Float64(), "high": pl.Float64(), "share": pl.Float64(), "vehicles": pl.Int64()}
    )
    if not rows.height:
        return pl.DataFrame(schema=schema)
    low, high = np.quantile(rows.get_column("value").to_numpy(), [0.005, 0.995])
    width = (high - low) / BINS or 1.0
    place = ((pl.col("value") - low) / width).floor().clip(0, BINS - 1).cast(pl.Int32)
    counted = rows.group_by("group", place=place).agg(vehicles=pl.len().cast(pl.Int64))
    every = counted.select(pl.col("group").unique()).join(
        pl.DataFrame({"place": np.arange(BINS, dtype=np.int32)}), how="cross"
    )
    return (
        every.join(counted, on=["group", "place"], how="left")
        .with_columns(pl.col("vehicles").fill_null(0))
        .with_columns(
            low=low + width * pl.col("place"),
            high=low + width * (pl.col("place") + 1),
            share=pl.col("vehicles") / pl.col("vehicles").sum().over("group"),
        )
        .select(schema.names())
        .cast(schema)
        .sort("group", "low")
    )


def _sentence(groups: pl.DataFrame, title: str, unit: str, *, by: Sequence[str], on: str) -> str:
    if not groups.height:
        return f"{title} was not read lately."
    vehicles: int = groups.select(pl.col("vehicles").sum()).item()
    if groups.height == 1:
        row = groups.row(0, named=True)
        return (
            f"{title} on {on}: the middle vehicle of {vehicles:,} stands at "
            f"{amount(row['median'], unit, figures=3)}, eight in ten between {number(row['p10'], figures=3)} and "
            f"{amount(row['p90'], unit, figures=3)}."
        )
    ranked = groups.sort("median", "group")
    low, high = ranked.row(0, named=True), ranked.row(-1, named=True)
    return (
        f"{title} on {on}, {count(vehicles, 'vehicle')}: the middle vehicle stands lowest in {low['group']} "
        f"({amount(low['median'], unit, figures=3)}) and highest in {high['group']} "
        f"({amount(high['median'], unit, figures=3)}), by {factors.said(by)}."
    )
