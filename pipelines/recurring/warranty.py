"""The warranty of fitted parts: verdicts and readings in, until when it runs and what came back inside it out."""

import polars as pl

# Months from fitting: the least that a seller of goods owes in the EU (Directive 2019/771, article 10); makers of parts
# commonly follow it. What was agreed with a supplier goes before it: the page says on what it rests.
WARRANTY_MONTHS = 24
WARRANTY = {"warranty_until": pl.Date(), "back_km": pl.Float64(), "in_warranty": pl.Boolean()}


def with_warranty(judged: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """The same rows with WARRANTY: of fitted parts the last day, the odometer when it was back, and whether inside.

    A part that was never the trouble (the vehicle was back for another one) is no claim.

    Args:
        judged: `vehicle_id, done_at, kind, part_number, part_batch, back_at, part_failed`.
        readings: The history's, for the odometer.
    """
    km = readings.select("vehicle_id", "read_at", back_km="km").drop_nulls().sort("read_at")
    fitted = (pl.col("kind") == "replacement") | pl.any_horizontal(pl.col("part_number", "part_batch").is_not_null())
    until = pl.when(fitted).then(pl.col("done_at").dt.offset_by(f"{WARRANTY_MONTHS}mo").dt.date())
    back = (
        judged.filter(pl.col("back_at").is_not_null())
        .sort("back_at")
        .join_asof(km, left_on="back_at", right_on="read_at", by="vehicle_id", check_sortedness=False)
        .select("vehicle_id", "done_at", "component", "back_km")
    )
    return (
        judged.join(back, on=["vehicle_id", "done_at", "component"], how="left")
        .with_columns(warranty_until=until)
        .with_columns(in_warranty=(pl.col("back_at").dt.date() <= pl.col("warranty_until")) & pl.col("part_failed"))
    )
