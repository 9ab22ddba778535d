"""One correction across the fleet and in time: what most vehicles read, by family, depot or calibration."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.views.joined import Choice, with_catalogue, with_vehicles
from dashboard.views.wording import Reader, amount, count, sentence

SPLITS = {"engine_family": "engine family", "depot": "depot", "calibration": "calibration", "duty": "kind of use"}
MOST_GROUPS = 5  # colours and dashes that can be told apart; further groups are drawn as one


@dataclass(frozen=True, kw_only=True)
class TrendView:
    """The page: a sentence, weekly figures by group, and where every vehicle stands today."""

    sentence: str
    weekly: pl.DataFrame
    standing: pl.DataFrame
    empty_reason: str = ""


def trend(
    values: pl.DataFrame,
    correction_state: pl.DataFrame,
    *,
    correction: dict[str, Any],
    vehicles: pl.DataFrame,
    split: str,
    choice: Choice,
    reader: Reader,
) -> TrendView:
    """Weekly median and the middle 80 % of vehicles, by group, and each vehicle's standing at as_of.

    Args:
        values: One row per reading of this correction: `vehicle_id, read_at, value, calibration`.
        correction_state: Published table.
        correction: Its catalogue row: `code`, `title`, `unit`.
        vehicles: The fleet's vehicles.
        split: Column the groups come from, one of SPLITS.
        choice: Depots, engine families and calibrations to keep.
        reader: Whose clock it is written for.
    """
    placed = choice.of(with_vehicles(values, vehicles), "depot", "engine_family", "calibration")
    placed = placed.filter(pl.col("read_at") <= reader.as_of)
    grouped = placed.with_columns(group=pl.col(split).fill_null("not known"))
    grouped = grouped.with_columns(group=_few(grouped.get_column("group")))
    weekly = (
        grouped.with_columns(week=pl.col("read_at").dt.truncate("1w"))
        .group_by("group", "week")
        .agg(
            median=pl.col("value").median(),
            low=pl.col("value").quantile(0.1, "linear"),
            high=pl.col("value").quantile(0.9, "linear"),
            vehicles=pl.col("vehicle_id").n_unique(),
        )
        .sort("group", "week")
    )
    standing = _standing(correction_state, correction["code"], placed, vehicles, split)
    return TrendView(
        sentence=_sentence(weekly, standing, correction, split),
        weekly=weekly,
        standing=standing,
        empty_reason=""
        if weekly.height
        else "No vehicle that matches this choice read this correction. Widen the choice above.",
    )


def splits_of(vehicles: pl.DataFrame, values: pl.DataFrame) -> list[str]:
    """What groups can be compared by in this fleet: columns in which anything is known, engine family at least."""
    known = {name: (values if name == "calibration" else vehicles).get_column(name) for name in SPLITS}
    return [name for name in SPLITS if name == "engine_family" or known[name].count()]


def _few(group: pl.Series) -> pl.Series:
    """The groups with most rows by name; the rest, where there are more than MOST_GROUPS, together as 'others'."""
    ranked = group.value_counts(sort=True).sort("count", "group", descending=[True, False])
    if ranked.height <= MOST_GROUPS:
        return group
    kept = ranked.get_column("group").head(MOST_GROUPS - 1)
    return (
        pl.select(pl.when(group.is_in(kept.implode())).then(group).otherwise(pl.lit("others")))
        .to_series()
        .alias("group")
    )


def _standing(
    correction_state: pl.DataFrame, code: str, placed: pl.DataFrame, vehicles: pl.DataFrame, split: str
) -> pl.DataFrame:
    latest = placed.sort("read_at").group_by("vehicle_id", maintain_order=True).agg(pl.col("calibration").last())
    rows = with_vehicles(correction_state.filter(pl.col("correction") == code), vehicles).join(
        latest, on="vehicle_id", how="inner", maintain_order="left"
    )
    return rows.with_columns(group=pl.col(split).fill_null("not known")).sort(
        pl.col("z").abs(), "vehicle_id", descending=[True, False], nulls_last=True
    )


def _sentence(weekly: pl.DataFrame, standing: pl.DataFrame, correction: dict[str, Any], split: str) -> str:
    title, unit = sentence(str(correction["title"])), correction["unit"]
    if not weekly.height:
        return f"{title} was not read."
    astray = standing.filter(pl.col("state").is_in(["drifting", "outside"])).height
    now = f"{title}: {count(astray, 'vehicle')} of {standing.height:,} {'strays' if astray == 1 else 'stray'} today."
    moves = _moves(weekly)
    if moves is None:
        return now
    group, change = moves
    moved = f"{'rose' if change > 0 else 'fell'} by {amount(abs(change), unit)}"
    if weekly.get_column("group").n_unique() == 1:
        return f"{now} Over the last eight weeks the median {moved} against the eight weeks before."
    return (
        f"{now} Over the last eight weeks the median of {group} ({SPLITS[split]}) {moved} "
        f"against the eight weeks before, the most of all groups."
    )


def _moves(weekly: pl.DataFrame) -> tuple[str, float] | None:
    """The group whose median moved most from the eight weeks before to the last eight, and by how much."""
    end = weekly.get_column("week").max()
    aged = weekly.with_columns(age=((pl.lit(end) - pl.col("week")).dt.total_days() // 7))
    change = (
        aged.group_by("group")
        .agg(
            recent=pl.col("median").filter(pl.col("age") < 8).mean(),
            before=pl.col("median").filter(pl.col("age").is_between(8, 15)).mean(),
        )
        .with_columns(change=pl.col("recent") - pl.col("before"))
        .drop_nulls("change")
        .filter(pl.col("change") != 0)
        .sort(pl.col("change").abs(), "group", descending=[True, False])
    )
    return (change.row(0, named=True)["group"], change.row(0, named=True)["change"]) if change.height else None


def most_moved(correction_state: pl.DataFrame, corrections: pl.DataFrame) -> pl.DataFrame:
    """Every correction with how many vehicles stray in it, most first.

    Returns:
        `code, title, group, astray, vehicles, share` (0-1), `median_z`.
    """
    counted = (
        correction_state.filter(~pl.col("state").is_in(["not_fitted", "not_read"]))
        .group_by("correction")
        .agg(
            astray=pl.col("state").is_in(["drifting", "outside"]).sum(),
            vehicles=pl.len(),
            median_z=pl.col("z").median(),
        )
    )
    return (
        with_catalogue(counted, corrections)
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
