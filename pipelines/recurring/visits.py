"""Rows of work without a reading between them are one visit: work and readings in, the visit's number beside it."""

import polars as pl

KEY = ["vehicle_id", "visit"]
RESETS = ("reset", "module_replacement")  # kinds of work that leave nothing learned


def with_visits(work: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """The same rows with `visit` (whole number) and `was_reset` (bool), sorted by vehicle and time.

    `visit` is how many readings of the vehicle lie before the work. Rows of a vehicle that share it were done without a
    reading between them: a cleaning and its reset, a part and the codes cleared after it. Nothing that was read tells
    them apart, so they are judged together. `was_reset`: learned values were set back in that visit; null: no row says.

    Args:
        work: Rows of the contract's `work`.
        readings: `vehicle_id, read_at`, one row a reading.
    """
    before = readings.select("vehicle_id", done_at="read_at").sort("done_at", "vehicle_id")
    counted = before.with_columns(visit=pl.int_range(1, pl.len() + 1).over("vehicle_id"))
    numbered = work.sort("done_at", maintain_order=True).join_asof(
        counted, on="done_at", by="vehicle_id", check_sortedness=False
    )
    said = pl.when(pl.col("kind").is_in(RESETS)).then(statement=True).otherwise("reset_done")
    return (
        numbered.with_columns(pl.col("visit").fill_null(0))
        .with_columns(was_reset=said.max().over(KEY))
        .sort("vehicle_id", "done_at", maintain_order=True)
    )
