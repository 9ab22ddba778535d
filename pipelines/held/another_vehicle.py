"""A fleet number that passed to another vehicle or engine: what was read before is another history. Frames alone."""

import polars as pl

TYPED_WRONG = 2  # characters in which two VINs of the same vehicle may differ: a record that was mended
RENAMED = 0.2  # of a family's vehicles: where so many change to the same other one, the family has another name

BEGUN_ANEW = pl.Schema([("vehicle_id", pl.String()), ("at", pl.Datetime("us", "UTC")), ("text", pl.String())])


def begun_anew(vehicles: pl.DataFrame, before: pl.DataFrame, snapshots: pl.DataFrame) -> pl.DataFrame:
    """Vehicles whose number was another one's before: `BEGUN_ANEW`, `at` the first reading of the new history.

    Args:
        vehicles: The contract's, as they are known now.
        before: Rows that newer ones took the place of: vehicle_id, vin, engine_family, replaced_by (load_id).
        snapshots: vehicle_id, read_at, load_id.
    """
    now_known = vehicles.select("vehicle_id", "vin", "engine_family", "in_service_on")
    both = before.join(now_known, on="vehicle_id", suffix=" now")
    other_vin = [
        old is not None and new is not None and _differing(old, new) > TYPED_WRONG
        for old, new in both.select("vin", "vin now").iter_rows()
    ]
    family, now = pl.col("engine_family"), pl.col("engine_family now")
    members = vehicles.group_by("engine_family").len("members")
    changed = both.with_columns(other_vin=pl.Series(other_vin, dtype=pl.Boolean)).join(
        members, left_on="engine_family now", right_on="engine_family", how="left"
    )
    together = pl.col("vehicle_id").n_unique().over("engine_family", "engine_family now")
    other_engine = (family != now) & ((together <= RENAMED * pl.col("members")) | (together == 1))
    changed = changed.with_columns(other_engine=other_engine.fill_null(value=False))
    changed = changed.filter(pl.col("other_vin") | pl.col("other_engine"))
    last = changed.sort("replaced_by").unique("vehicle_id", keep="last", maintain_order=True)
    rows = snapshots.join(last, on="vehicle_id")
    into_service = pl.col("in_service_on").cast(pl.Datetime("us", "UTC"))
    since = rows.group_by("vehicle_id").agg(
        by_date=pl.col("read_at").filter(pl.col("read_at") >= into_service).min(),
        by_load=pl.col("read_at").filter(pl.col("load_id") >= pl.col("replaced_by")).min(),
        first=pl.col("read_at").min(),
    )
    at = pl.when(pl.col("by_date") > pl.col("first")).then("by_date").otherwise("by_load")
    what = pl.when("other_vin").then(pl.lit("another vehicle (another VIN)")).otherwise(pl.lit("another engine"))
    text = pl.format("From here on this number is {}: what was read before is not its history.", what)
    return (
        since.join(last, on="vehicle_id")
        .select("vehicle_id", at=at, text=text)
        .filter(pl.col("at").is_not_null())
        .sort("vehicle_id")
        .cast(BEGUN_ANEW)
    )


def since_begun(frame: pl.DataFrame, begun: pl.DataFrame, time: str) -> pl.DataFrame:
    """Rows of a table that are of the new history, in their order."""
    if begun.is_empty():
        return frame
    marked = frame.join(begun.select("vehicle_id", begun="at"), on="vehicle_id", how="left", maintain_order="left")
    return marked.filter(pl.col("begun").is_null() | (pl.col(time) >= pl.col("begun"))).drop("begun")


def _differing(one: str, two: str) -> int:
    """Places in which two texts differ; of other lengths, all."""
    return sum(a != b for a, b in zip(one, two, strict=True)) if len(one) == len(two) else max(len(one), len(two))
