"""What each fault memory holds now: codes that stand, were cleared, worked on or lost. Frames in and out."""

from collections.abc import Iterable

import polars as pl

from pipelines.handover import Evidence
from pipelines.history.fault_events import CLEARING, stands
from pipelines.history.since_reading import SinceReading

KEY = ["vehicle_id", "read_at"]
FATES = ("stands", "worked_on", "cleared", "lost")
SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "code": pl.String(),
        "present": pl.Boolean(),
        "lamp_on": pl.Boolean(),
        "seen_at": pl.Datetime("us", "UTC"),
        "fate": pl.String(),
        "fate_at": pl.Datetime("us", "UTC"),
    }
)


def memory_readings(evidence: Evidence) -> pl.DataFrame:
    """vehicle_id, read_at and back (0: the newest) of each reading of a fault memory."""
    read = pl.concat([evidence.snapshots.filter("faults_read").select(KEY), evidence.faults.select(KEY)])
    return (
        read.unique()
        .sort(KEY)
        .with_columns(back=(pl.len() - 1 - pl.int_range(pl.len())).over("vehicle_id").cast(pl.Int64))
    )


def remembered_codes(evidence: Evidence, fault_events: pl.DataFrame, since: SinceReading) -> pl.DataFrame:
    """Codes that nothing read so far has shown to be gone for good, sorted by vehicle and code; columns of SCHEMA.

    A code stood when last looked for (`seen_at`); its `fate` since, and when: `cleared` (the memory was emptied, by
    work on record), `worked_on` (work was done on what the code is about, and nobody says that the memory was
    emptied), `lost` (gone at the newest look with a power loss before it: lost, not cured), else `stands`.

    Args:
        evidence: Faults, snapshots and work.
        fault_events: As the stage `history` gives them.
        since: Work since the newest readings.
    """
    looks = memory_readings(evidence)
    lamp = evidence.snapshots.select(*KEY, "lamp_on")
    standing = evidence.faults.filter(stands()).join(looks, on=KEY).join(lamp, on=KEY, how="left")
    newest = standing.filter(pl.col("back") == 0).with_columns(lost_at=pl.lit(None, SCHEMA["fate_at"]))
    seen = pl.concat(
        [
            frame.select("vehicle_id", "code", "present", "lamp_on", "lost_at", seen_at="read_at")
            for frame in (newest, _lost(standing, looks, fault_events))
        ]
    )
    clears = pl.col("kind").is_in(CLEARING) | pl.col("codes_cleared").fill_null(value=False)
    cleared = evidence.work.filter(clears).group_by("vehicle_id").agg(cleared_at=pl.col("done_at").max())
    about = since.codes.join(since.worked_on(), on="vehicle_id").rename({"code": "plain"})
    was_cleared = pl.col("cleared_at") > pl.col("seen_at")
    return (
        seen.with_columns(plain=pl.col("code").str.head(5))
        .join(cleared, on="vehicle_id", how="left")
        .join(about, on=["vehicle_id", "plain"], how="left")
        .with_columns(
            fate=pl.when(was_cleared)
            .then(pl.lit("cleared"))
            .when(pl.col("lost_at").is_not_null())
            .then(pl.lit("lost"))
            .when(pl.col("worked_on_at") > pl.col("seen_at"))
            .then(pl.lit("worked_on"))
            .otherwise(pl.lit("stands"))
        )
        .with_columns(
            fate_at=pl.when(pl.col("fate") == "cleared")
            .then("cleared_at")
            .when(pl.col("fate") == "lost")
            .then("lost_at")
            .when(pl.col("fate") == "worked_on")
            .then("worked_on_at")
        )
        .select(SCHEMA.names())
        .cast(SCHEMA)
        .sort("vehicle_id", "code")
    )


def _lost(standing: pl.DataFrame, looks: pl.DataFrame, fault_events: pl.DataFrame) -> pl.DataFrame:
    """Codes found at the look before the newest whose event ended with a power loss between the two."""
    before = looks.filter(pl.col("back") == 1).select("vehicle_id", before_at="read_at")
    lost = (
        fault_events.filter(pl.col("ended") == "lost_with_power")
        .join(before, on="vehicle_id")
        .filter(pl.col("ended_at") >= pl.col("before_at"))
        .select("vehicle_id", "code", lost_at="ended_at")
    )
    return standing.filter(pl.col("back") == 1).join(lost, on=["vehicle_id", "code"])


def known_memories(evidence: Evidence, codes: pl.DataFrame) -> Iterable[str]:
    """Vehicles of whose fault memory it is known what it holds now.

    It was read at the newest reading, and neither lost codes with the power at that look nor lost the power since, by
    a row of work.

    Args:
        evidence: Snapshots, faults and work.
        codes: As `remembered_codes` gives them.
    """
    looked = memory_readings(evidence).filter(pl.col("back") == 0).select("vehicle_id", looked_at="read_at")
    readings = evidence.snapshots.group_by("vehicle_id").agg(last_read_at=pl.col("read_at").max())
    lost = codes.filter(pl.col("fate") == "lost").select("vehicle_id")
    losses = (
        evidence.work.filter(pl.col("kind") == "power_loss")
        .group_by("vehicle_id")
        .agg(power_lost_at=pl.col("done_at").max())
    )
    known: list[str] = (
        looked.join(readings, on="vehicle_id", how="left")
        .join(losses, on="vehicle_id", how="left")
        .join(lost, on="vehicle_id", how="anti")
        .filter(
            pl.col("looked_at") >= pl.col("last_read_at").fill_null(pl.col("looked_at")),
            (pl.col("power_lost_at") <= pl.col("looked_at")).fill_null(value=True),
        )
        .sort("vehicle_id")["vehicle_id"]
        .to_list()
    )
    return known
