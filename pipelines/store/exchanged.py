"""Two vehicles exchanged in a file: each goes on, by odometer and clock, where the other stopped."""

from datetime import timedelta

import polars as pl

from pipelines.catalogue.checks import Check
from pipelines.store.neighbours import FLAG, KEYS, MINUTE, value_before

APART = timedelta(days=21)  # the two leave their courses within it: readings may be that far apart
MOST_KM_A_DAY = 2500.0
COUNTERS = {"odometer_km": MOST_KM_A_DAY, "ignition_hours": 24.0}  # and the most that they rise in a day


def exchanged(rows: pl.DataFrame, check: Check) -> pl.DataFrame:
    """Flags on readings from which on a vehicle stands where another stood, and that one where it stood itself.

    The second time that two vehicles change places they are back where they belong, which is not flagged.

    Args:
        rows: Stored snapshots of some vehicles, with load_id, odometer_km and ignition_hours, sorted by vehicle
            and time.
        check: Its argument is what the odometer may fall by without leaving its course, km.
    """
    if not {"odometer_km", "ignition_hours"} <= set(rows.columns):
        return pl.DataFrame(schema=FLAG)
    left = _left_their_course(rows, float(check.argument))
    pairs = left.join_where(
        left.select(pl.all().name.suffix(" of other")),
        pl.col("vehicle_id") != pl.col("vehicle_id of other"),
        (pl.col("read_at") - pl.col("read_at of other")).abs() <= APART,
        pl.col("odometer_km") >= pl.col("odometer_km before of other"),
    ).filter(
        *(
            _goes_on(name, rate, "", " of other") & _goes_on(name, rate, " of other", "")
            for name, rate in COUNTERS.items()
        )
    )
    pair = ["vehicle_id", "vehicle_id of other"]
    changes = pairs.unique(["vehicle_id", "read_at"], keep="none").sort(*pair, "read_at")
    first = changes.filter(pl.int_range(pl.len()).over(pair) % 2 == 0)
    text = pl.format("{}: from here as {}", pl.col("read_at").dt.strftime(MINUTE), "vehicle_id of other")
    return first.select(
        "load_id",
        "vehicle_id",
        pl.lit(check.column).alias("column_name"),
        pl.lit(check.reason).alias("reason"),
        text.alias("detail"),
    )


def _left_their_course(rows: pl.DataFrame, slack_km: float) -> pl.DataFrame:
    """Readings whose odometer or clock cannot follow on the one before, with both of them."""
    names = [*COUNTERS, "read_at"]
    read = rows.drop_nulls(list(COUNTERS)).select("load_id", *KEYS, *COUNTERS)
    beside = read.with_columns(value_before(name).alias(f"{name} before") for name in names).drop_nulls()
    days = (pl.col("read_at") - pl.col("read_at before")).dt.total_seconds() / 86_400
    gain = pl.col("odometer_km") - pl.col("odometer_km before")
    return beside.filter((gain < -slack_km) | (gain > MOST_KM_A_DAY * (1 + days)))


def _goes_on(name: str, rate: float, of: str, where: str) -> pl.Expr:
    """The counter of one can be the next after what the other's was before."""
    days = (pl.col(f"read_at{of}") - pl.col(f"read_at before{where}")).dt.total_seconds() / 86_400
    gain = pl.col(f"{name}{of}") - pl.col(f"{name} before{where}")
    return (gain >= 0) & (gain <= rate * days + 1)
