"""Where a code stands that speaks of a correction: fault events and catalogue in, stretches of readings out."""

import polars as pl

from pipelines.handover import Int64s

KEY = ["vehicle_id", "read_at"]


def coded_rows(rows: pl.DataFrame, corrections: pl.DataFrame, fault_events: pl.DataFrame) -> dict[str, Int64s]:
    """By correction: [n, 2] first row at which a code stands, and one behind the last; only where there are any.

    The codes are those that the catalogue names for the correction, or for another one of its component. A code stands
    from the reading that found it until a reading of the fault memory no longer does, whatever was known later.

    Args:
        rows: `vehicle_id, read_at, faults_known`, sorted; one a row.
        corrections: Catalogue rows of the corrections asked for.
        fault_events: As history gives them.
    """
    if fault_events.is_empty() or rows.is_empty():
        return {}
    numbered = rows.select(*KEY, "faults_known").with_row_index("row")
    events = (
        fault_events.select("vehicle_id", "found_at", "ended_at", code=pl.col("code").str.slice(0, 5))
        .join(_codes(corrections), on="code")
        .unique()
    )
    if events.is_empty():
        return {}
    end = numbered.group_by("vehicle_id", maintain_order=True).agg(end=pl.col("row").max() + 1)
    stretches = _next(events, numbered, "found_at").rename({"row": "first"})
    gone = (
        _next(stretches, numbered.filter("faults_known"), "ended_at").rename({"row": "last"}).join(end, on="vehicle_id")
    )
    spans = gone.select("correction", "first", last=pl.coalesce("last", "end")).filter(pl.col("first") < pl.col("last"))
    spans = spans.unique().sort("correction", "first", "last")
    return {
        str(code): part.select("first", "last").to_numpy().astype("int64")
        for (code,), part in spans.group_by("correction", maintain_order=True)
    }


def _codes(corrections: pl.DataFrame) -> pl.DataFrame:
    """`correction, code`: which codes speak of it."""
    named = corrections.select(
        "component",
        correction="code",
        code=pl.concat_str("fault_high", "fault_low", separator="|", ignore_nulls=True).str.split("|"),
    )
    part = pl.col("component").cast(pl.String).str.split("|")
    of_part = named.with_columns(part).explode("component").drop_nulls("component").explode("code")
    beside = of_part.select("component", "correction").join(of_part.select("component", "code"), on="component")
    every = pl.concat([named.explode("code").select("correction", "code"), beside.select("correction", "code")])
    return every.with_columns(pl.col("code").str.strip_chars().str.slice(0, 5)).filter(pl.col("code") != "").unique()


def _next(events: pl.DataFrame, numbered: pl.DataFrame, at: str) -> pl.DataFrame:
    """Events with the `row` of their vehicle's next reading at or after a time; null: none."""
    known = events.filter(pl.col(at).is_not_null()).sort(at)
    nearest = known.join_asof(
        numbered.select(*KEY, "row").sort("read_at"), left_on=at, right_on="read_at", by="vehicle_id",
        strategy="forward", check_sortedness=False,
    )  # fmt: skip
    return pl.concat([nearest.drop("read_at", strict=False), events.filter(pl.col(at).is_null())], how="diagonal")
