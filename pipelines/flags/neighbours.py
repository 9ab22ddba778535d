"""What the checks of readings share: a vehicle's readings before and after, and the rows that get a flag."""

import polars as pl

from pipelines.catalogue.checks import Check

KEYS = ["vehicle_id", "read_at"]
MINUTE = "%Y-%m-%d %H:%M"  # how flags name times
QUOTED_FIGURES = 9
FLAG = {
    "load_id": pl.Int32, "vehicle_id": pl.String, "column_name": pl.String, "reason": pl.String, "detail": pl.String,
}  # fmt: skip


def flag_rows(rows: pl.DataFrame, where: pl.Expr, check: Check, column: str | None = None) -> pl.DataFrame:
    """A flag on each row where it holds; rows have vehicle_id, read_at and load_id."""
    name = column or check.column
    value = _written(name, rows.schema[name]) if name in rows.columns else pl.lit("")
    return rows.filter(where).select(
        "load_id",
        "vehicle_id",
        pl.lit(name).alias("column_name"),
        pl.lit(check.reason).alias("reason"),
        pl.format("{}: {}", pl.col("read_at").dt.strftime(MINUTE), value).alias("detail"),
    )


def _written(name: str, kind: pl.DataType) -> pl.Expr:
    """A value as a flag quotes it: no more digits than a reader shows."""
    value = pl.col(name).round_sig_figs(QUOTED_FIGURES) if kind.is_float() else pl.col(name)
    return value.cast(pl.String)


def value_before(name: str) -> pl.Expr:
    """The vehicle's value at the reading before; rows are sorted by vehicle and time."""
    return pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift()).then(pl.col(name).shift())


def value_after(name: str) -> pl.Expr:
    """The vehicle's value at the reading after."""
    return pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift(-1)).then(pl.col(name).shift(-1))
