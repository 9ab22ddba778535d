"""The module's clock and the odometer as totals since first seen, and where the module lost its power."""

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl

from pipelines.handover import Bools, Evidence, Float64s, Int64s
from pipelines.history.counter import MISREAD, NEW_TRACK, RESTARTED, RESUMED, ZONES_H, CounterRules, Stitched, stitch
from pipelines.history.reading_rows import MISDATED_DAYS, first_rows_after, row_starts

# Hours an hour, and what a stamp may be off, in hours; seconds and minutes for hours. Judgement.
CLOCK = CounterRules(max_rate=1.0, tolerance=0.1, zero_restart=True, factors=(1 / 60, 1 / 3600))
KM_PER_MILE = 1.609344  # definition
# Judgement.
ODOMETER = CounterRules(
    max_rate=2000 / 24,  # 2,000 km a day: two drivers by turns on open roads
    tolerance=2.0,
    zero_restart=False,
    factors=(KM_PER_MILE, 1 / KM_PER_MILE),
)
WITHOUT_CLOCK = 0.2  # confidence in hours taken from kilometres at the family's usual speed; judgement


@dataclass(frozen=True, kw_only=True)
class Clocks:
    """Running totals of all readings, aligned with the rows."""

    hours: Stitched
    km: Stitched
    frame: pl.DataFrame  # hours, hours_confidence, km, power_lost, other_module, offset (hours - clock), clock_scale


def clocks(rows: pl.DataFrame, evidence: Evidence) -> Clocks:
    """Hours and kilometres of every reading, and the readings before which the power was lost.

    Args:
        rows: As `reading_rows` gives them.
        evidence: Its work rows tell of recorded power losses and replaced modules.
    """
    start, at = row_starts(rows), rows["read_at"].dt.timestamp("us").to_numpy() / 3.6e9
    replaced = _row_mask(rows, evidence.work.filter(pl.col("kind") == "module_replacement"))
    fresh = rows["module_changed"].to_numpy() | replaced
    odometer = _floats(rows["odometer_km"])
    km = stitch(start, at, odometer, np.full(at.size, np.nan), np.zeros(at.size, np.bool_), rules=ODOMETER)
    scale = _clock_scale(start, at, _floats(rows["ignition_hours"]))
    counter = _floats(rows["ignition_hours"]) * scale
    hours = stitch(start, at, counter, km.total, fresh, rules=CLOCK)
    total, confidence = _without_clock(rows, hours, km)
    lost = (hours.event == RESTARTED) | _recorded_losses(rows, evidence, counter, at, hours.event)
    frame = pl.DataFrame(
        {
            "hours": total,
            "hours_confidence": confidence,
            "km": _first_km(start, odometer, km) + km.total,
            "power_lost": lost & ~fresh,
            "other_module": _other_module(rows, hours) & ~fresh,
            "offset": hours.offset,
            "clock_scale": scale,
        }
    ).with_columns(pl.col("hours", "km", "offset").fill_nan(None))
    return Clocks(hours=hours, km=km, frame=frame)


def _floats(column: pl.Series) -> Float64s:
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy()


def _row_mask(rows: pl.DataFrame, work: pl.DataFrame) -> Bools:
    mask = np.zeros(rows.height, np.bool_)
    mask[first_rows_after(work.select("vehicle_id", "done_at"), rows, at="done_at")["row"].to_numpy()] = True
    return mask


def _clock_scale(start: Int64s, at: Float64s, counter: Float64s) -> Float64s:
    """[R] factor that makes the clock count hours; one that runs faster than time is in minutes or seconds."""
    vehicle = np.repeat(np.arange(start.size - 1), np.diff(start))
    frame = pl.DataFrame({"vehicle": vehicle, "at": at, "counter": counter}).with_columns(
        pl.col("counter").fill_nan(None)
    )
    rate = (pl.col("counter").diff() / pl.col("at").diff()).over("vehicle")
    usual = (
        frame.filter(pl.col("counter").is_not_null())
        .with_columns(rate=rate)
        .filter(pl.col("rate") > 0)
        .group_by("vehicle")
        .agg(pl.col("rate").median())
    )
    factor = np.ones(start.size - 1)
    fast = usual["rate"].to_numpy()
    factor[usual["vehicle"].to_numpy()] = np.where(fast > 60.0, 1 / 3600, np.where(fast > 1.2, 1 / 60, 1.0))
    return factor[vehicle]


def _recorded_losses(rows: pl.DataFrame, evidence: Evidence, counter: Float64s, at: Float64s, event: Int64s) -> Bools:
    """Readings after a recorded power loss that the clock does not contradict.

    It does where it has run for longer than since then, and where it restarted at a reading near by: work is dated
    a day early or late.
    """
    mask = np.zeros(rows.height, np.bool_)
    restarts = rows.filter(pl.Series(event == RESTARTED)).select("vehicle_id", restart_at="read_at")
    losses = evidence.work.filter(pl.col("kind") == "power_loss").select("vehicle_id", "done_at").sort("done_at")
    silent = losses.join_asof(
        restarts.sort("restart_at"),
        left_on="done_at",
        right_on="restart_at",
        by="vehicle_id",
        strategy="nearest",
        tolerance=timedelta(days=MISDATED_DAYS),
        check_sortedness=False,
    ).filter(pl.col("restart_at").is_null())
    at_reading = first_rows_after(silent, rows, at="done_at")
    row, done = at_reading["row"].to_numpy(), at_reading["done_at"].dt.timestamp("us").to_numpy() / 3.6e9
    contradicted = counter[row] > at[row] - done + ZONES_H  # false where the clock was not read
    mask[row[~contradicted]] = True
    return mask


def _without_clock(rows: pl.DataFrame, hours: Stitched, km: Stitched) -> tuple[Float64s, Float64s]:
    """Hours of vehicles whose clock was never read, from kilometres at the family's usual speed; NaN: no way.

    The usual speed is that of the blocks before, in the first of the block itself.
    """
    read = ~np.isnan(hours.offset)
    if np.logical_or.reduceat(read, row_starts(rows)[:-1]).all():
        return hours.total, np.where(np.isnan(hours.total), 0.0, hours.confidence)
    frame = rows.select("vehicle_id", "engine_family", "block").with_columns(
        hours=pl.Series(hours.total).fill_nan(None),
        km=pl.Series(km.total).fill_nan(None),
        clocked=pl.Series(read),
    )
    clocked = pl.col("clocked").any().over("vehicle_id")
    with_both = frame.filter(clocked & pl.col("km").is_not_null())
    usual = [
        with_both.filter(pl.col("block") < max(block, 1))
        .group_by("engine_family")
        .agg(per_km=pl.col("hours").sum() / pl.col("km").sum())
        .with_columns(block=pl.lit(block, dtype=pl.Int64))
        for block in range(int(rows["block"].to_numpy().max(initial=0)) + 1)
    ]
    gone = pl.col("km") - pl.col("km").shift(1, fill_value=0.0).over("vehicle_id")
    joined = frame.join(
        pl.concat(usual), on=["engine_family", "block"], how="left", maintain_order="left"
    ).with_columns(has_clock=clocked)
    by_speed = (gone * pl.col("per_km")).cum_sum().over("vehicle_id")
    told_hours = joined.select(
        hours=pl.when("has_clock").then("hours").otherwise(by_speed),
        has_clock="has_clock",
    )
    total = _floats(told_hours["hours"])
    confidence = np.where(told_hours["has_clock"].to_numpy(), hours.confidence, WITHOUT_CLOCK)
    return total, np.where(np.isnan(total), 0.0, confidence)


def _other_module(rows: pl.DataFrame, hours: Stitched) -> Bools:
    """[R] the clock went over to another course, or back to the one it had left: it counts in another module."""
    counted_before = rows.select("vehicle_id", offset=hours.offset).select(
        pl.col("offset").shift(1, fill_value=float("nan")).over("vehicle_id").is_not_nan()
    )
    moved: Bools = np.isin(hours.event, (NEW_TRACK, RESUMED)) & counted_before.to_series().to_numpy()
    moved &= rows["module"].is_null().to_numpy()  # where there is a serial, it decides
    return moved


def _first_km(start: Int64s, odometer: Float64s, km: Stitched) -> Float64s:
    """[R] odometer at the vehicle's first reading; NaN: never read.

    Where the next two readings agree on another course, the first was misread, and the course tells where it began.
    """
    known = np.flatnonzero(~np.isnan(odometer))
    begin, end = np.searchsorted(known, start[:-1]), np.searchsorted(known, start[1:])
    first = np.full(start.size - 1, np.nan)
    first[begin < end] = odometer[known[begin[begin < end]]]
    three = np.flatnonzero(end - begin >= 3)
    second, third = known[begin[three] + 1], known[begin[three] + 2]
    other = (km.event[second] == MISREAD) & (km.event[third] == NEW_TRACK)
    first[three[other]] = odometer[third[other]]  # where the way is counted from: neither of the two adds to it
    return np.repeat(first, np.diff(start))
