"""What readings say whose dates nobody knows: values against limits and built-in ranges; frames and lines, no store.

Nothing can be followed without dates, and none is made up: such readings are shown, not stored.
"""

import polars as pl

from pipelines.bands.built_in import normal_range, normal_share
from pipelines.visible import visible

ALONE, IN_ORDER = "undated", "order"  # answers to the question when a file was read
ANSWERS = {
    ALONE: "not known: show what the values alone say, load nothing",
    IN_ORDER: "not known, but later rows were read later: show what changed, load nothing",
}
MOST_LINES = 40  # vehicles that have lines in a terminal
FAR, LIMIT, NORMAL, UNKNOWN = "far from neutral", "at its limit", "as healthy engines read", "no range is known"


def undated(rows: pl.DataFrame, catalogue: pl.DataFrame, *, in_order: bool) -> pl.DataFrame:
    """One row per vehicle and correction: vehicle_id, correction, title, unit, value, readings, first, least, most,
    normal_low, normal_high, leeway_pct, says.

    `value` is the newest one where rows are in order, else the median. `first` is empty where they are not. Leeway is
    the share of the way from neutral to the limit on the value's side that is left; sides that set no code count where
    no side does.

    Args:
        rows: vehicle_id, and a column per correction; numbers, or texts of such.
        catalogue: Corrections: code, title, unit, neutral, limits, resolution, fault_low, fault_high.
        in_order: Whether later rows of a vehicle were read later.
    """  # noqa: D205 (the columns are a list)
    codes = [code for code in catalogue["code"] if code in rows.columns]
    long = rows.select(
        pl.col("vehicle_id").cast(pl.String), *(pl.col(code).cast(pl.Float64, strict=False) for code in codes)
    ).unpivot(index="vehicle_id", variable_name="correction")
    values = pl.col("value")
    each = long.drop_nulls().group_by("vehicle_id", "correction", maintain_order=True).agg(
        value=values.last() if in_order else values.median(), readings=pl.len(),
        first=values.first() if in_order else pl.lit(None, pl.Float64), least=values.min(), most=values.max(),
    )  # fmt: skip
    found = each.join(_limits(catalogue), on="correction", how="left", maintain_order="left")
    up = values >= pl.col("neutral")
    counts = pl.when(up).then(pl.col("fault_high")).otherwise(pl.col("fault_low")) | ~(
        pl.col("fault_high") | pl.col("fault_low")
    )
    limit = pl.when(up).then(pl.col("high_limit")).otherwise(pl.col("low_limit"))
    left = (100 * (limit - values) / (limit - pl.col("neutral"))).clip(0, 100)
    apart = (limit - values).abs() <= pl.col("resolution").fill_null(0.0)
    within = values.is_between("normal_low", "normal_high")
    says = pl.when(within).then(pl.lit(NORMAL)).when(apart & counts).then(pl.lit(LIMIT)).otherwise(pl.lit(FAR))
    return found.with_columns(
        leeway_pct=pl.when(counts).then(left),
        says=pl.when(pl.col("normal_low").is_null()).then(pl.lit(UNKNOWN)).otherwise(says),
    ).select(
        "vehicle_id", "correction", "title", "unit", "value", "readings", "first", "least", "most", "normal_low",
        "normal_high", "leeway_pct", "says",
    )  # fmt: skip


def _limits(catalogue: pl.DataFrame) -> pl.DataFrame:
    """By correction what a value is held against; no normal range where neutral or a limit is not known."""
    known = catalogue.select(
        "code", pl.col("title").fill_null(pl.col("code")), pl.col("unit").fill_null(""),
        pl.col("neutral", "low_limit", "high_limit", "resolution").cast(pl.Float64),
        fault_low=pl.col("fault_low").fill_null("") != "", fault_high=pl.col("fault_high").fill_null("") != "",
    )  # fmt: skip
    ranges = [
        normal_range(code, *limits) if None not in limits and normal_share(code) < 1 else (None, None)
        for code, *limits in known.select("code", "neutral", "low_limit", "high_limit").iter_rows()
    ]
    frame = pl.DataFrame(ranges, schema={"normal_low": pl.Float64, "normal_high": pl.Float64}, orient="row")
    return known.rename({"code": "correction"}).hstack(frame)


def undated_lines(found: pl.DataFrame) -> list[str]:
    """The same for people: a line for each value that is far, and one for each vehicle that has none; worst first."""
    if found.is_empty():
        return ["No column is a correction that is known: without a date nothing can be said of it."]
    worst = pl.col("leeway_pct").min().over("vehicle_id").fill_null(100.0)
    strays = found.filter(pl.col("says").is_in([FAR, LIMIT])).sort(worst, "vehicle_id", "leeway_pct", nulls_last=True)
    lines = [_stray(row) for row in strays.iter_rows(named=True)]
    rest = found.filter(~pl.col("vehicle_id").is_in(strays["vehicle_id"].to_list()))
    for (vehicle,), rows in rest.group_by("vehicle_id", maintain_order=True):
        lines.append(f"{visible(str(vehicle))}: {_unsuspicious(rows)}")
    more = [f"... and {len(lines) - MOST_LINES} more."] if len(lines) > MOST_LINES else []
    return [
        "Without a date nothing can be followed, and nothing is loaded. What the values alone say:",
        *lines[:MOST_LINES], *more,
        "Whether any of it moves shows once it is known when each row was read.",
    ]  # fmt: skip


def _stray(row: dict[str, object]) -> str:
    value, low, high = row["value"], row["normal_low"], row["normal_high"]
    unit = f" {row['unit']}" if row["unit"] not in ("", "1") else ""
    head = f"{visible(str(row['vehicle_id']))}: {row['title']} reads {value:.3g}{unit}, {row['says']}"
    several = row["readings"] != 1
    ordered = several and row["first"] is not None
    moved = f"; it was {row['first']:.3g} in the first of {row['readings']} rows" if ordered else ""
    spread = (
        f" (the middle of {row['readings']} rows, {row['least']:.3g} to {row['most']:.3g})"
        if several and not ordered else ""
    )  # fmt: skip
    left = "" if row["leeway_pct"] is None else f", {row['leeway_pct']:.0f} % of the way to its limit left"
    return f"{head}{spread}: healthy engines read {low:.3g} to {high:.3g}{unit}{left}{moved}."


def _unsuspicious(rows: pl.DataFrame) -> str:
    known = rows.filter(pl.col("says") == NORMAL)
    if known.is_empty():
        return "no range is known for what was read."
    few = "its correction reads" if known.height == 1 else f"its {known.height} corrections read"
    if known["leeway_pct"].null_count() == known.height:
        return f"{few} as healthy engines do."
    least = known.sort("leeway_pct", nulls_last=True).row(0, named=True)
    return f"{few} as healthy engines do; least leeway {least['leeway_pct']:.0f} % ({least['title']})."
