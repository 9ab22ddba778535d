"""What is wrong with a vehicle's record: odometers, clocks, modules from elsewhere, vehicles swapped in a file."""

import polars as pl

from pipelines.history.clock import Clocks
from pipelines.history.counter import MISREAD, NEW_TRACK, OTHER_UNIT, RESUMED

SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "at": pl.Datetime("us", "UTC"),
        "kind": pl.String(),
        "other_vehicle_id": pl.String(),
        "text": pl.String(),
    }
)


def notices(rows: pl.DataFrame, clocks: Clocks) -> pl.DataFrame:
    """One row per thing that is wrong with a record, sorted by vehicle and time."""
    found = [*_counters(rows, clocks), _donors(rows)]
    return (
        pl.concat([part.select(*SCHEMA).cast(SCHEMA) for part in found])
        .unique(["vehicle_id", "at", "kind"], keep="first", maintain_order=True)
        .sort("vehicle_id", "at", "kind")
    )


def _counters(rows: pl.DataFrame, clocks: Clocks) -> list[pl.DataFrame]:
    first = rows["vehicle_id"] != rows["vehicle_id"].shift(1)
    later = ~first.fill_null(value=True).to_numpy()
    said = (
        (clocks.km.event, MISREAD, "odometer_misread", "the odometer of this reading fits none before it"),
        (clocks.km.event, NEW_TRACK, "odometer_replaced", "the odometer runs back or jumps, and goes on from there"),
        (clocks.km.event, OTHER_UNIT, "odometer_unit", "the odometer changes between kilometres and miles"),
        (clocks.hours.event, MISREAD, "clock_misread", "the module's clock at this reading fits none before it"),
        (clocks.hours.event, OTHER_UNIT, "clock_unit", "the module's clock changes its unit"),
        (
            clocks.hours.event,
            NEW_TRACK,
            "clock_jumped",
            "the module's clock jumps and goes on from there: another module",
        ),
        (clocks.hours.event, RESUMED, "clock_resumed", "the module's clock is back on the track that it had left"),
    )
    return [
        rows.filter(pl.Series((event == code) & later)).select(
            "vehicle_id",
            at="read_at",
            kind=pl.lit(kind),
            other_vehicle_id=pl.lit(None, dtype=pl.String),
            text=pl.lit(text[0].upper() + text[1:] + "."),
        )
        for event, code, kind, text in said
    ]


def _donors(rows: pl.DataFrame) -> pl.DataFrame:
    """Modules that another vehicle had before."""
    stays = (
        rows.filter(pl.col("module").is_not_null())
        .group_by("module", "vehicle_id")
        .agg(at=pl.col("read_at").min())
        .sort("module", "at", "vehicle_id")
    )
    before = pl.col("vehicle_id").shift(1).over("module")
    return (
        stays.with_columns(other_vehicle_id=before)
        .filter(pl.col("other_vehicle_id").is_not_null())
        .with_columns(
            kind=pl.lit("donor_module"),
            text=pl.format(
                "Module {} was in vehicle {} before: its learned values came with it.", "module", "other_vehicle_id"
            ),
        )
    )
