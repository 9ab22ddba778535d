"""One correction across the fleet and in time: what most vehicles read, by up to two factors."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.views import factors
from dashboard.views.joined import Choice, in_kind_of, with_catalogue
from dashboard.views.wording import Reader, count, difference, sentence

MOST_PANELS = 6  # charts one above the other that can still be compared (judgement); further places are drawn as one
MOST_MARKS = 3_000  # more marks than this slow the browser; then two weeks and more are drawn as one
WEEKS_COMPARED = 8
ALL = ""  # the panel where there is but one


@dataclass(frozen=True, kw_only=True)
class TrendView:
    """The look: a sentence, figures by group and week, and where every vehicle stands today.

    Attributes:
        sentence: The answer in words.
        weekly: `panel, group, week, low, quarter, median, three_quarters, high, vehicles`; low and high hold the
            middle eight in ten vehicles, the quarters the middle half.
        standing: One row a vehicle that can have the correction and read it, farthest from expected first.
        step: Weeks that are drawn as one.
        empty_reason: Why there is nothing to see.
    """

    sentence: str
    weekly: pl.DataFrame
    standing: pl.DataFrame
    step: int = 1
    empty_reason: str = ""


def trend(
    values: pl.DataFrame,
    states: pl.DataFrame,
    *,
    correction: Mapping[str, Any],
    places: pl.DataFrame,
    by: Sequence[str],
    choice: Choice,
    reader: Reader,
) -> TrendView:
    """Quantiles of the vehicles' readings by week and group, and each vehicle's standing at as_of.

    Args:
        values: One row per reading of this correction: `vehicle_id, read_at, value, calibration`.
        states: The correction's rows of `correction_state`.
        correction: Its catalogue row: `code`, `title`, `unit`.
        places: Of `factors.places_of`.
        by: One factor, or two: a panel a place of the first, a colour a place of the second.
        choice: Depots, engine families and calibrations to keep.
        reader: Whose clock it is written for.
    """
    able = can_have(places, states)
    *first, colour = by
    rows = factors.grouped(values, able, choice=choice, until=reader.as_of, panel=first, group=[colour])
    rows = factors.few(factors.few(rows), "panel", most=MOST_PANELS)
    weekly, step = _quantiles(rows, 1), 1
    if weekly.height > MOST_MARKS:
        step = -(-weekly.height // MOST_MARKS)
        weekly = _quantiles(rows, step)
    standing = _standing(states, rows, able, by)
    return TrendView(
        sentence=_sentence(weekly, standing, correction, by),
        weekly=weekly,
        standing=standing,
        step=step,
        empty_reason=""
        if weekly.height
        else "No vehicle that matches this choice read this correction. Widen the choice above.",
    )


def can_have(places: pl.DataFrame, states: pl.DataFrame) -> pl.DataFrame:
    """The vehicles that can have a correction: those to whose engine it belongs.

    Args:
        places: One row a vehicle.
        states: The correction's rows of `correction_state`.
    """
    return places.join(states.filter(pl.col("state") == "not_fitted"), on="vehicle_id", how="anti")


def extent(weekly: pl.DataFrame) -> tuple[float, float]:
    """From and to of the values of all panels, without what one week in a hundred goes beyond."""
    low, high = weekly.select(pl.col("low").quantile(0.01), pl.col("high").quantile(0.99)).row(0)
    return float(low), float(high)


def _quantiles(rows: pl.DataFrame, step: int) -> pl.DataFrame:
    """Quantiles of the vehicles by panel, group and so many weeks."""
    return (
        rows.group_by("panel", "group", pl.col("read_at").dt.truncate(f"{step}w").alias("week"))
        .agg(
            low=pl.col("value").quantile(0.1, "linear"),
            quarter=pl.col("value").quantile(0.25, "linear"),
            median=pl.col("value").median(),
            three_quarters=pl.col("value").quantile(0.75, "linear"),
            high=pl.col("value").quantile(0.9, "linear"),
            vehicles=pl.col("vehicle_id").n_unique(),
        )
        .sort("panel", "group", "week")
    )


def _standing(states: pl.DataFrame, rows: pl.DataFrame, able: pl.DataFrame, by: Sequence[str]) -> pl.DataFrame:
    latest = rows.group_by("vehicle_id", maintain_order=True).agg(pl.col("calibration").last())
    return (
        states.join(in_kind_of(latest, states), on="vehicle_id", how="inner", maintain_order="left")
        .join(able, on="vehicle_id", how="inner", maintain_order="left")
        .with_columns(factors.label(by))
        .sort(pl.col("z").abs(), "vehicle_id", descending=[True, False], nulls_last=True)
    )


def _sentence(weekly: pl.DataFrame, standing: pl.DataFrame, correction: Mapping[str, Any], by: Sequence[str]) -> str:
    title, unit = sentence(str(correction["title"])), correction["unit"]
    if not weekly.height:
        return f"{title} was not read."
    astray = standing.filter(pl.col("state").is_in(["drifting", "outside"])).height
    now = f"{title}: {count(astray, 'vehicle')} of {standing.height:,} {'strays' if astray == 1 else 'stray'} today."
    moves = _moves(weekly)
    if moves is None:
        return now
    group, change = moves
    moved = f"{'rose' if change > 0 else 'fell'} by {difference(abs(change), unit)}"
    if weekly.select(pl.struct("panel", "group").n_unique()).item() == 1:
        return f"{now} Over the last eight weeks the median {moved} against the eight weeks before."
    return (
        f"{now} Over the last eight weeks the median of {group} ({factors.said(by)}) {moved} "
        f"against the eight weeks before, the most of all groups."
    )


def _moves(weekly: pl.DataFrame) -> tuple[str, float] | None:
    """The group whose median moved most from the eight weeks before to the last eight, and by how much."""
    end = weekly.get_column("week").max()
    aged = weekly.with_columns(age=((pl.lit(end) - pl.col("week")).dt.total_days() // 7))
    last, before = pl.col("age") < WEEKS_COMPARED, pl.col("age").is_between(WEEKS_COMPARED, 2 * WEEKS_COMPARED - 1)
    change = (
        aged.group_by("panel", "group")
        .agg(recent=pl.col("median").filter(last).mean(), before=pl.col("median").filter(before).mean())
        .with_columns(change=pl.col("recent") - pl.col("before"))
        .drop_nulls("change")
        .filter(pl.col("change") != 0)
        .sort(pl.col("change").abs(), "panel", "group", descending=[True, False, False])
    )
    if not change.height:
        return None
    row = change.row(0, named=True)
    name = row["group"] if row["panel"] == ALL else f"{row['panel']}{factors.BETWEEN}{row['group']}"
    return name, row["change"]


def most_moved(states: pl.DataFrame, corrections: pl.DataFrame) -> pl.DataFrame:
    """Every correction with how many vehicles stray in it, most first.

    Args:
        states: `correction, vehicles, astray, median_z` of those that can be read: `published.astray_by_correction`.
        corrections: The catalogue.

    Returns:
        `code, title, group, astray, vehicles, share` (0-1), `median_z`.
    """
    return (
        with_catalogue(states, corrections)
        .select(
            code="correction",
            title="title",
            group="group",
            astray="astray",
            vehicles="vehicles",
            share=pl.col("astray") / pl.col("vehicles"),
            median_z="median_z",
        )
        .sort("astray", "code", descending=[True, False])
    )
