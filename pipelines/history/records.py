"""What is wrong with a vehicle's record: odometers, clocks, modules from elsewhere, swapped vehicles, stale values."""

import numpy as np
import polars as pl

from pipelines.handover import Bools, Int64s
from pipelines.history.clock import Clocks
from pipelines.history.counter import MISREAD, NEW_TRACK, OTHER_UNIT, RESUMED
from pipelines.history.swaps import returns_of, steps_of, swaps

SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "at": pl.Datetime("us", "UTC"),
        "kind": pl.String(),
        "other_vehicle_id": pl.String(),
        "text": pl.String(),
    }
)
DONOR, SWAPPED = "donor_module", "swapped_vehicles"  # kinds that two vehicles show together: definition
COUNTERS = (
    ("km", MISREAD, "odometer_misread", "The odometer of this reading fits none before it."),
    ("km", NEW_TRACK, "odometer_replaced", "The odometer runs back or jumps, and goes on from there."),
    ("km", OTHER_UNIT, "odometer_unit", "The odometer changes between kilometres and miles."),
    ("hours", MISREAD, "clock_misread", "The module's clock at this reading fits none before it."),
    ("hours", OTHER_UNIT, "clock_unit", "The module's clock changes its unit."),
    ("hours", NEW_TRACK, "clock_jumped", "The module's clock jumps and goes on from there: another module."),
    ("hours", RESUMED, "clock_resumed", "The module's clock is back on the course that it had left."),
)


def notices(
    rows: pl.DataFrame, clocks: Clocks, traced: dict[str, pl.DataFrame], stale: pl.DataFrame, still: pl.DataFrame
) -> pl.DataFrame:
    """One row per thing that is wrong with a record, sorted by vehicle and time.

    Args:
        rows: As `reading_rows` gives them.
        clocks: Their stitched counters.
        traced: As `traces` gives it of them.
        stale: vehicle_id, done_at, component: hands-on work without a reset, which leaves stale values to unwind.
        still: Values that stand still, as `stuck_values` gives them.
    """
    return _in_order([*_counters(rows, clocks), _stale(stale), _still(still), *_between(traced)])


def traces(rows: pl.DataFrame, clocks: Clocks) -> dict[str, pl.DataFrame]:
    """By name: what tells whether a vehicle's module, or a stretch of its readings, is another one's."""
    stays = rows.filter(pl.col("module").is_not_null()).group_by("module", "vehicle_id").agg(at=pl.col("read_at").min())
    return {"steps": steps_of(rows), "returns": returns_of(rows, clocks), "stays": stays}


def with_all_traces(known: pl.DataFrame, of_all: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Notices of several parts of a fleet, with those between vehicles looked for among all of them."""
    return _in_order([known.filter(~pl.col("kind").is_in([DONOR, SWAPPED])), *_between(of_all)])


def _between(traced: dict[str, pl.DataFrame]) -> list[pl.DataFrame]:
    swapped = swaps(traced["steps"], traced["returns"])
    return [_donors(traced["stays"], swapped), _swaps(swapped)]


def _in_order(parts: list[pl.DataFrame]) -> pl.DataFrame:
    every = pl.concat([part.select(*SCHEMA).cast(SCHEMA) for part in parts])
    return every.unique(["vehicle_id", "at", "kind"], keep="first", maintain_order=True).sort(
        "vehicle_id", "at", "kind"
    )


def with_new_histories(known: pl.DataFrame, begun_anew: pl.DataFrame) -> pl.DataFrame:
    """The notices with one for each fleet number that passed to another vehicle or engine."""
    if begun_anew.is_empty():
        return known
    new = begun_anew.select("vehicle_id", "at", "text", kind=pl.lit("begun_anew"), other_vehicle_id=pl.lit(None))
    return pl.concat([known, new.select(*SCHEMA).cast(SCHEMA)]).sort("vehicle_id", "at", "kind")


def _counters(rows: pl.DataFrame, clocks: Clocks) -> list[pl.DataFrame]:
    later = (rows["vehicle_id"] == rows["vehicle_id"].shift(1)).fill_null(value=False).to_numpy()
    events = {"km": clocks.km.event, "hours": clocks.hours.event}
    begun = {name: _begun(rows, event) for name, event in events.items()}
    return [
        rows.filter(pl.Series((events[counter] == code) & later & begun[counter])).select(
            "vehicle_id", at="read_at", kind=pl.lit(kind), other_vehicle_id=pl.lit(None), text=pl.lit(text)
        )
        for counter, code, kind, text in COUNTERS
    ]


def _begun(rows: pl.DataFrame, event: Int64s) -> Bools:
    """[R] the counter had been read before this reading of the vehicle."""
    read = pl.Series("read", np.asarray(event > 0).astype(np.int64))
    before = (pl.col("read").cum_sum() - pl.col("read")).over("vehicle_id")
    return rows.select("vehicle_id", read).select(before > 0).to_series().to_numpy()


def _donors(stays: pl.DataFrame, swapped: pl.DataFrame) -> pl.DataFrame:
    """Modules that another vehicle had before, but for vehicles that a file swapped."""
    before = pl.col("vehicle_id").shift(1).over("module")
    text = pl.format(
        "Module {} was in vehicle {} before: its learned values came with it.", "module", "other_vehicle_id"
    )
    return (
        stays.sort("module", "at", "vehicle_id")
        .with_columns(other_vehicle_id=before)
        .filter(pl.col("other_vehicle_id").is_not_null())
        .join(swapped, on=["vehicle_id", "other_vehicle_id"], how="anti")
        .with_columns(kind=pl.lit(DONOR), text=text)
    )


def _swaps(swapped: pl.DataFrame) -> pl.DataFrame:
    until = pl.col("until").dt.strftime("%Y-%m-%d").fill_null("now")
    text = pl.format(
        "From {} to {} the readings of vehicles {} and {} are swapped in the files.",
        pl.col("at").dt.strftime("%Y-%m-%d"), until, "vehicle_id", "other_vehicle_id",
    )  # fmt: skip
    return swapped.with_columns(kind=pl.lit(SWAPPED), text=text)


def _stale(stale: pl.DataFrame) -> pl.DataFrame:
    part = pl.col("component").fill_null("a part")
    text = pl.format(
        "Work on {} without setting the learned values back: they unwind from their stale level by themselves.", part
    )
    return stale.with_columns(
        at="done_at", kind=pl.lit("not_reset"), other_vehicle_id=pl.lit(None, dtype=pl.String), text=text
    )


def _still(still: pl.DataFrame) -> pl.DataFrame:
    text = pl.format(
        "{} stood still to the last digit until {} while the vehicle was used, {} repeats: "
        "longer than chance explains. A stuck reading, or a region that was not visited.",
        "correction", pl.col("until").dt.strftime("%Y-%m-%d"), "repeats",
    )  # fmt: skip
    return (
        still.group_by("vehicle_id", "at", maintain_order=True)
        .agg(pl.col("correction").str.join(", "), pl.col("until").max(), pl.col("repeats").max())
        .with_columns(kind=pl.lit("value_stuck"), other_vehicle_id=pl.lit(None, dtype=pl.String), text=text)
    )
