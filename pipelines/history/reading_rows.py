"""The snapshots without their corrections: one row per reading, with what is known of vehicle, module and memory."""

from datetime import UTC, datetime

import numpy as np
import polars as pl

from pipelines.handover import Evidence, Float64s, Int64s
from pipelines.learning_blocks import block_starts

EVER = datetime(1900, 1, 1, tzinfo=UTC)  # before any reading; definition
MISDATED_DAYS = 7.0  # that work may be dated away from the reading that shows it; judgement


def reading_rows(evidence: Evidence) -> pl.DataFrame:
    """One row per snapshot, as they stand, sorted by vehicle_id and read_at; numbered by `row`.

    Calibration and module are filled forward within a vehicle. `faults_known`: the fault memory was read (the flag, or
    a fault row of the same key). `module_changed`, `calibration_changed`: differs from the one before it. `block`: of
    time, as others are learned from it.
    """
    memory = evidence.faults.select("vehicle_id", "read_at").unique().with_columns(found=pl.lit(value=True))
    rows = (
        evidence.snapshots.select(
            "vehicle_id",
            "read_at",
            "ignition_hours",
            "odometer_km",
            "calibration",
            "module",
            "faults_read",
            "warmups_since_clear",
            "km_since_clear",
        )
        .join(
            evidence.vehicles.select("vehicle_id", "engine_family", "depot", "duty"),
            on="vehicle_id",
            how="left",
            maintain_order="left",
        )
        .pipe(_where_it_belonged, evidence.moves)
        .join(memory, on=["vehicle_id", "read_at"], how="left", maintain_order="left")
    )
    filled = rows.with_columns(
        pl.col("calibration", "module").forward_fill().over("vehicle_id"),
        faults_known=pl.col("faults_read").fill_null(value=False) | pl.col("found").fill_null(value=False),
    )
    return filled.with_columns(
        _block(filled["read_at"], first_day_of(evidence)),
        calibration_changed=_changed("calibration"),
        module_changed=_changed("module"),
    ).with_row_index("row")


def _where_it_belonged(rows: pl.DataFrame, moves: pl.DataFrame) -> pl.DataFrame:
    """The depot of each reading; of a vehicle that moved, that of then."""
    if moves.is_empty():
        return rows
    ever = pl.lit(EVER).cast(moves.schema["since"])
    since = moves.select("vehicle_id", read_at=pl.col("since").fill_null(ever), held="depot").sort("read_at")
    place = rows.select("vehicle_id", "read_at").with_row_index("place").sort("read_at")
    held = place.join_asof(since, on="read_at", by="vehicle_id", strategy="backward").sort("place")["held"]
    moved = rows["vehicle_id"].is_in(moves["vehicle_id"].unique().to_list())
    return rows.with_columns(depot=pl.when(moved).then(held).otherwise(pl.col("depot")))


def first_day_of(evidence: Evidence) -> float:
    """Of the fleet's first reading, from which blocks of time are counted, days since 1970; infinite: there is none."""
    if evidence.whole:
        return evidence.whole.first_day
    return float(days(evidence.snapshots["read_at"]).min(initial=np.inf))


def _block(read_at: pl.Series, first_day: float) -> pl.Series:
    day = days(read_at)
    starts = block_starts(first_day, day.max(initial=-np.inf))
    return pl.Series("block", np.searchsorted(starts, day, side="right") - 1, dtype=pl.Int64)


def days(at: pl.Series) -> Float64s:
    """Times in days since 1970."""
    return at.dt.epoch("us").to_numpy() / 86_400e6


def _changed(column: str) -> pl.Expr:
    before = pl.col(column).shift(1).over("vehicle_id")
    return (pl.col(column) != before).fill_null(value=False)


def families(rows: pl.DataFrame) -> tuple[dict[str, int], Int64s]:
    """Engine families by name ('': unknown), each with its place; and [R] the place of each row's."""
    named = rows["engine_family"].fill_null("")
    places = {name: place for place, name in enumerate(named.unique().sort().to_list())}
    return places, named.rank("dense").to_numpy().astype(np.int64) - 1


def row_starts(rows: pl.DataFrame) -> Int64s:
    """[V + 1] first row of each vehicle, for rows sorted by vehicle."""
    if rows.is_empty():
        return np.zeros(1, np.int64)
    lengths = rows["vehicle_id"].rle().struct.field("len").to_numpy()
    return np.concatenate(([0], np.cumsum(lengths))).astype(np.int64)


def first_rows_after(events: pl.DataFrame, rows: pl.DataFrame, *, at: str) -> pl.DataFrame:
    """Events with `row`, the first reading of their vehicle at or after `at`; events not yet read after are left out.

    Rows are sorted by vehicle, then time.
    """
    return (
        events.filter(pl.col(at).is_not_null())
        .sort(at)
        .join_asof(
            rows.select("vehicle_id", "read_at", "row"),
            left_on=at,
            right_on="read_at",
            by="vehicle_id",
            strategy="forward",
            coalesce=False,
            check_sortedness=False,
        )
        .filter(pl.col("row").is_not_null())
    )
