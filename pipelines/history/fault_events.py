"""Fault events by the contract's rule: when each was set, and how it ended. Readings and fault rows in, events out."""

import polars as pl

from pipelines.handover import Evidence

HANDS_ON = ("repair", "replacement", "cleaning", "adjustment")
CLEARING = ("codes_cleared", "reset", "programming", "module_replacement")
CLOCK_STEP_H = 0.5  # a module's clock may be written in full or tenths of hours
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
    keys = pl.concat(
        [
            readings.filter("faults_known").select("vehicle_id", "read_at"),
            evidence.faults.select("vehicle_id", "read_at"),
        ]
    ).unique()
    return keys.sort("vehicle_id", "read_at").with_columns(
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
    hands_on = pl.col("kind").is_in(HANDS_ON)
    clears = pl.col("kind").is_in(CLEARING) | pl.col("codes_cleared").fill_null(value=False)
    work = evidence.work.select("vehicle_id", "done_at", hands_on=hands_on, clears=clears).filter(
        pl.col("hands_on") | pl.col("clears")
    )
    numbered = runs.with_row_index("event")
    told = (
        numbered.filter(pl.col("gone_at").is_not_null())
        .join(work, on="vehicle_id")
        .filter((pl.col("done_at") >= pl.col("last_at")) & (pl.col("done_at") <= pl.col("gone_at")))
        .group_by("event")
        .agg(
            repaired_at=pl.col("done_at").filter(pl.col("hands_on")).max(),
            cleared_at=pl.col("done_at").filter(pl.col("clears")).max(),
        )
    )
    marks = (
        numbered.filter(pl.col("gone_at").is_not_null())
        .select("event", "vehicle_id", "last_at", "gone_at")
        .join(
            readings.filter(pl.col("power_lost") | pl.col("cleared_counter")).select(
                "vehicle_id", "read_at", "power_lost", "cleared_counter"
            ),
            on="vehicle_id",
        )
        .filter((pl.col("read_at") > pl.col("last_at")) & (pl.col("read_at") <= pl.col("gone_at")))
        .group_by("event")
        .agg(
            lost_at=pl.col("read_at").filter(pl.col("power_lost")).min(),
            wiped_at=pl.col("read_at").filter(pl.col("cleared_counter")).min(),
        )
    )
    newest = readings.group_by("vehicle_id").agg(newest_at=pl.col("read_at").max())
    stands = pl.col("gone_at").is_null()
    middle = pl.col("last_at") + (pl.col("gone_at") - pl.col("last_at")) / 2
    return (
        numbered.join(told, on="event", how="left")
        .join(marks, on="event", how="left")
        .join(newest, on="vehicle_id", how="left")
        .with_columns(
            ended=pl.when(stands & (pl.col("newest_at") > pl.col("last_at")))
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
            .otherwise(pl.lit("self_erased")),
            ended_at=pl.coalesce("repaired_at", "cleared_at", middle),
        )
    )


def _narrowed(events: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Bounds and best estimate of the set time, narrowed by the module's clock where the code carries it.

    Where the clock restarted since the reading before, a time that fits the stretch before the restart is taken from
    there: the code outlived the power loss. A time that fits neither is left aside.
    """
    clocked = readings.filter(pl.col("hours").is_not_null()).select(
        "vehicle_id",
        "read_at",
        "hours",
        "offset",
        "clock_scale",
        offset_before=pl.col("offset").shift(1).over("vehicle_id"),
    )
    low = clocked.select("vehicle_id", set_low="read_at", hours_low="hours")
    placed = (
        events.join(clocked.rename({"read_at": "found_at"}), on=["vehicle_id", "found_at"], how="left")
        .join(low, on=["vehicle_id", "set_low"], how="left")
        .with_columns(pl.col("ignition_hours") * pl.col("clock_scale"))
    )
    here, before = (_fitting(pl.col("ignition_hours") + pl.col(name)) for name in ("offset", "offset_before"))
    placed = placed.with_columns(set_hours=pl.coalesce(here, before))
    track = clocked.select("vehicle_id", "hours", at="read_at").sort("hours")
    timed = placed.filter(pl.col("set_hours").is_not_null()).sort("set_hours")
    earlier = timed.join_asof(
        track, left_on="set_hours", right_on="hours", by="vehicle_id", coalesce=False, check_sortedness=False
    )
    both = earlier.join_asof(
        track.rename({"at": "at_next", "hours": "hours_next"}),
        left_on="set_hours",
        right_on="hours_next",
        by="vehicle_id",
        strategy="forward",
        coalesce=False,
        check_sortedness=False,
    )
    since, until = pl.col("set_hours") - pl.col("hours_right"), pl.col("hours_next") - pl.col("set_hours")
    share = (since / (since + until)).fill_nan(0.0)
    told = both.select(
        "event",
        low=pl.col("at") + _hours(since),
        high=pl.col("at_next") - _hours(until),
        at=pl.coalesce(
            pl.col("at") + (pl.col("at_next") - pl.col("at")) * share, "at", pl.col("at_next") - _hours(until)
        ),
    )
    bounded = placed.join(told, on="event", how="left").with_columns(
        set_low=pl.min_horizontal(pl.max_horizontal("set_low", "low"), "set_high"),
        set_high=pl.max_horizontal(pl.min_horizontal("set_high", "high"), "set_low"),
    )
    middle = pl.col("set_low") + (pl.col("set_high") - pl.col("set_low")) / 2
    return bounded.with_columns(
        set_at=pl.coalesce("at", middle, "set_high").clip(
            pl.coalesce("set_low", pl.lit(None, dtype=pl.Datetime("us", "UTC"))), pl.col("set_high")
        )
    )


def _fitting(hours: pl.Expr) -> pl.Expr:
    """The hours where they lie between the reading without the code and the one that found it; else null."""
    late = hours <= pl.col("hours") + CLOCK_STEP_H
    early = (hours >= pl.col("hours_low") - CLOCK_STEP_H) | pl.col("hours_low").is_null()
    return pl.when(late & early).then(pl.min_horizontal(hours, "hours"))


def _hours(value: pl.Expr) -> pl.Expr:
    return (value * 3.6e9).cast(pl.Duration("us"))
