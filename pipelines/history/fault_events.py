"""Fault events by the contract's rule: when each was set, and how it ended. Readings and fault rows in, events out."""

import polars as pl

from pipelines.handover import Evidence

HANDS_ON = ("repair", "replacement", "cleaning", "adjustment")
CLEARING = ("codes_cleared", "reset", "programming", "module_replacement")
CLOCK_STEP_H = 0.1  # a module's clock is written in tenths of hours or finer; judgement
CLOCK_SLACK_H = 0.5  # beyond which a clock time does not belong between two readings; judgement
SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "code": pl.String(),
        "found_at": pl.Datetime("us", "UTC"),
        "set_low": pl.Datetime("us", "UTC"),
        "set_at": pl.Datetime("us", "UTC"),
        "set_high": pl.Datetime("us", "UTC"),
        "ended_at": pl.Datetime("us", "UTC"),
        "ended": pl.String(),
    }
)


def fault_events(readings: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """One row per fault event, sorted by vehicle, found_at and code.

    A code stands at a reading when it is confirmed, or present where `confirmed` is empty, or, with no flag at all,
    found in the memory. Only readings that read the memory count.

    Args:
        readings: One row per reading: vehicle_id, read_at, hours, offset (hours minus the module's clock), power_lost,
            faults_known, cleared_counter (the counters since the last clear fell), sorted by vehicle and time.
        evidence: Its faults and work rows.

    Returns:
        Columns of `SCHEMA`. `set_low` is null for a code that stood at the first reading of the memory.
    """
    known = _memory_readings(readings, evidence)
    runs = _runs(evidence.faults, known)
    return (
        _narrowed(_endings(runs, readings, evidence), readings)
        .select(*SCHEMA)
        .cast(SCHEMA)
        .sort("vehicle_id", "found_at", "code")
    )


def stands() -> pl.Expr:
    """Whether a code found in the memory stands: confirmed, else present, else more than pending."""
    return pl.coalesce("confirmed", "present", ~pl.col("pending"), pl.lit(value=True))


def _memory_readings(readings: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Readings of the fault memory, numbered within their vehicle, with the one before and after."""
    key = ["vehicle_id", "read_at"]
    alone = evidence.faults.select(key).unique().join(readings, on=key, how="anti")  # without a snapshot of that key
    keys = readings.filter("faults_known").select(key)
    if not alone.is_empty():
        keys = pl.concat([keys, alone]).sort(key)
    return keys.with_columns(
        number=pl.int_range(pl.len()).over("vehicle_id"),
        known_before=pl.col("read_at").shift(1).over("vehicle_id"),
        known_after=pl.col("read_at").shift(-1).over("vehicle_id"),
    )


def _runs(faults: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Unbroken stays of a code in the memory that stood at least once, with the first standing and the last reading."""
    code = ["vehicle_id", "code"]
    return (
        faults.with_columns(stands=stands())
        .join(known, on=["vehicle_id", "read_at"])
        .sort("vehicle_id", "code", "number")
        .with_columns(run=(pl.col("number").diff() != 1).fill_null(value=True).cum_sum().over(code))
        .group_by(*code, "run", maintain_order=True)
        .agg(
            pl.col("read_at", "known_before", "ignition_hours").filter(pl.col("stands")).first(),
            last_at=pl.col("read_at").last(),
            gone_at=pl.col("known_after").last(),
        )
        .filter(pl.col("read_at").is_not_null())
        .rename({"read_at": "found_at", "known_before": "set_low"})
        .with_columns(set_high="found_at")
    )


def _endings(runs: pl.DataFrame, readings: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Runs with ended and ended_at: what happened between the last reading with the code and the first without."""
    numbered = runs.with_row_index("event")
    newest = readings.group_by("vehicle_id").agg(newest_at=pl.col("read_at").max())
    stands = pl.col("gone_at").is_null() & pl.col("cleared_at").is_null()  # what was cleared since stands no more
    middle = pl.col("last_at") + (pl.col("gone_at") - pl.col("last_at")) / 2
    ended = (
        pl.when(stands & (pl.col("newest_at") > pl.col("last_at")))
        .then(pl.lit("not_read_since"))
        .when(stands)
        .then(pl.lit("open"))
        .when(pl.col("repaired_at").is_not_null())
        .then(pl.lit("repaired"))
        .when(pl.col("cleared_at").is_not_null())
        .then(pl.lit("cleared"))
        .when(pl.col("lost_at").is_not_null())
        .then(pl.lit("lost_with_power"))
        .when(pl.col("wiped_at").is_not_null())
        .then(pl.lit("cleared"))
        .otherwise(pl.lit("self_erased"))
    )
    return (
        numbered.join(_by_work(numbered, evidence.work), on="event", how="left")
        .join(_by_marks(numbered, readings), on="event", how="left")
        .join(newest, on="vehicle_id", how="left")
        .with_columns(
            ended=ended, ended_at=pl.when(~stands).then(pl.coalesce("repaired_at", "cleared_at", middle))
        )
    )  # fmt: skip


def _by_work(numbered: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """By event: repaired_at and cleared_at, of the last such work before the code was seen to be gone."""
    hands_on = pl.col("kind").is_in(HANDS_ON)
    clears = pl.col("kind").is_in(CLEARING) | pl.col("codes_cleared").fill_null(value=False)
    ending = work.select("vehicle_id", "done_at", hands_on=hands_on, clears=clears)
    in_time = (pl.col("done_at") <= pl.col("gone_at")) | pl.col("gone_at").is_null()
    return (
        numbered.join(ending.filter(pl.col("hands_on") | pl.col("clears")), on="vehicle_id")
        .filter((pl.col("done_at") >= pl.col("last_at")) & in_time)
        .group_by("event")
        .agg(
            repaired_at=pl.col("done_at").filter(pl.col("hands_on")).max(),
            cleared_at=pl.col("done_at").filter(pl.col("clears")).max(),
        )
    )


def _by_marks(numbered: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """By event: lost_at and wiped_at, the first reading since that shows a loss of power, or counters that fell."""
    marked = readings.filter(pl.col("power_lost") | pl.col("cleared_counter"))
    return (
        numbered.filter(pl.col("gone_at").is_not_null())
        .select("event", "vehicle_id", "last_at", "gone_at")
        .join(marked.select("vehicle_id", "read_at", "power_lost", "cleared_counter"), on="vehicle_id")
        .filter((pl.col("read_at") > pl.col("last_at")) & (pl.col("read_at") <= pl.col("gone_at")))
        .group_by("event")
        .agg(
            lost_at=pl.col("read_at").filter(pl.col("power_lost")).min(),
            wiped_at=pl.col("read_at").filter(pl.col("cleared_counter")).min(),
        )
    )


def _narrowed(events: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Bounds and best estimate of the set time, narrowed by the module's clock where the code carries it."""
    clocked = readings.filter(pl.col("hours").is_not_null())
    by_clock = _told_by_clock(_set_hours(events, clocked), clocked)
    latest_low = pl.max_horizontal("set_low", "low")
    bounded = events.join(by_clock, on="event", how="left").with_columns(
        set_low=pl.when(latest_low.is_not_null()).then(pl.min_horizontal(latest_low, "set_high")),
        set_high=pl.max_horizontal(pl.min_horizontal("set_high", "high"), "set_low"),
    )
    middle = pl.col("set_low") + (pl.col("set_high") - pl.col("set_low")) / 2
    within = pl.min_horizontal(pl.max_horizontal("at", "set_low"), "set_high")
    return bounded.with_columns(
        set_at=pl.coalesce(pl.when(pl.col("at").is_not_null()).then(within), middle, "set_high")
    )


def _set_hours(events: pl.DataFrame, clocked: pl.DataFrame) -> pl.DataFrame:
    """event, vehicle_id and set_hours (since first seen) of the events whose code carries a plausible clock.

    Where the clock restarted since the reading before, a time that fits the stretch before the restart is taken from
    there: the code outlived the power loss. A time that fits neither is left aside.
    """
    tracks = clocked.select(
        "vehicle_id", "hours", "offset", "clock_scale", found_at="read_at",
        offset_before=pl.col("offset").shift(1).over("vehicle_id"),
    )  # fmt: skip
    low = clocked.select("vehicle_id", set_low="read_at", hours_low="hours")
    placed = (
        events.filter(pl.col("ignition_hours").is_not_null())
        .join(tracks, on=["vehicle_id", "found_at"])
        .join(low, on=["vehicle_id", "set_low"], how="left")
    )
    clock = pl.col("ignition_hours") * pl.col("clock_scale")
    here, before = (_fitting(clock + pl.col(name)) for name in ("offset", "offset_before"))
    return placed.select("event", "vehicle_id", set_hours=pl.coalesce(here, before)).drop_nulls("set_hours")


def _fitting(hours: pl.Expr) -> pl.Expr:
    """The hours where they lie between the reading without the code and the one that found it; else null."""
    late = hours <= pl.col("hours") + CLOCK_SLACK_H
    early = (hours >= pl.col("hours_low") - CLOCK_SLACK_H) | pl.col("hours_low").is_null()
    return pl.when(late & early).then(pl.min_horizontal(hours, "hours"))


def _told_by_clock(timed: pl.DataFrame, clocked: pl.DataFrame) -> pl.DataFrame:
    """event, low, high and at: when the stitched clock stood at set_hours, from the readings on either side.

    The engine ran for the hours between, so the time is that many hours from either reading at the least.
    """
    at, shift = timed.sort("set_hours"), pl.col("set_hours")
    before = clocked.select("vehicle_id", hours_before="hours", at_before="read_at")
    after = clocked.select("vehicle_id", hours_after="hours", at_after="read_at")
    both = (
        at.with_columns(least=shift - CLOCK_STEP_H, most=shift + CLOCK_STEP_H)
        .join_asof(before, left_on="least", right_on="hours_before", by="vehicle_id", check_sortedness=False)
        .join_asof(
            after, left_on="most", right_on="hours_after", by="vehicle_id", strategy="forward", check_sortedness=False
        )
    )
    since = pl.col("set_hours") - pl.col("hours_before")
    until = pl.col("hours_after") - pl.col("set_hours")
    low, high = pl.col("at_before") + _hours(since - CLOCK_STEP_H), pl.col("at_after") - _hours(until - CLOCK_STEP_H)
    between = pl.col("at_before") + (pl.col("at_after") - pl.col("at_before")) * (since / (since + until))
    return both.select("event", low=low, high=high, at=pl.coalesce(between, high))


def _hours(value: pl.Expr) -> pl.Expr:
    return (value * 3.6e9).cast(pl.Duration("us"))
