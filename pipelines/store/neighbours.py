"""What the checks of readings share: a vehicle's readings before and after, and the rows that get a flag."""

import polars as pl

from pipelines.catalogue.checks import Check

KEYS = ["vehicle_id", "read_at"]
MINUTE = "%Y-%m-%d %H:%M"  # how flags name times
FLAG = {
    "load_id": pl.Int32, "vehicle_id": pl.String, "column_name": pl.String, "reason": pl.String, "detail": pl.String,
}  # fmt: skip


def flag_rows(rows: pl.DataFrame, where: pl.Expr, check: Check, column: str | None = None) -> pl.DataFrame:
    """The new rows where it holds; where only the reading before is new, that one."""
    name = column or check.column
    value = pl.col(name).cast(pl.String) if name in rows.columns else pl.lit("")
    marked = rows.with_columns(where.fill_null(value=False).alias("here"))
    late = value_after("here") & ~value_after("new")
    return marked.filter(pl.col("new") & (pl.col("here") | late.fill_null(value=False))).select(
        "load_id",
        "vehicle_id",
        pl.lit(name).alias("column_name"),
        pl.lit(check.reason).alias("reason"),
        pl.format("{}: {}", pl.col("read_at").dt.strftime(MINUTE), value).alias("detail"),
    )


def value_before(name: str) -> pl.Expr:
    """The vehicle's value at the reading before; rows are sorted by vehicle and time."""
    return pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift()).then(pl.col(name).shift())


def value_after(name: str) -> pl.Expr:
    """The vehicle's value at the reading after."""
    return pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift(-1)).then(pl.col(name).shift(-1))


def judged_now(read: pl.DataFrame) -> pl.DataFrame:
    """New readings, and the one before each, which is told apart only now; as of the load that tells."""
    next_new = value_after("new").fill_null(value=False)
    by = pl.when(pl.col("new")).then("load_id").otherwise(pl.col("load_id").shift(-1)).alias("load_id")
    return read.with_columns(by, pl.col("new") | next_new)
