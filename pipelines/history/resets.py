"""What may have set learned values back: work rows, changed modules and calibrations, lost power."""

from datetime import timedelta

import polars as pl

from pipelines.handover import Evidence
from pipelines.history.reading_rows import MISDATED_DAYS, first_rows_after

HANDS_ON = ("repair", "replacement", "cleaning", "adjustment", "inspection")


def resetting_events(rows: pl.DataFrame, clock: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Everything that may have set values back, one row per event and its first reading.

    Args:
        rows: As `reading_rows` gives them.
        clock: Per reading: row, power_lost, lost_at (the best estimate of when), other_module (its clock says so) and
            cleared_counter (its counters since the last clear fell).
        evidence: Its work rows.

    Returns:
        vehicle_id, row, kind, component, bank, cylinder, unreset (hands on, said without a reset; null: not hands on),
        started_at, first_read_at, recorded. kind: `module`, `calibration`, `reset`, `replaced` (hands on, reset done),
        `hands_on` (not said), `stale` (said not to be done), `power_loss`, `codes_cleared`.
    """
    recorded, inferred = _recorded(rows, evidence), _inferred(rows, clock)
    placed = _snapped(recorded, inferred)
    alone = inferred.join(placed, on=["row", "kind"], how="anti").with_columns(recorded=pl.lit(value=False))
    return pl.concat([placed, alone], how="diagonal").sort("row", "kind", "component", "started_at")


def _recorded(rows: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Events of work rows at the first reading after each."""
    kind = (
        pl.when(pl.col("kind") == "module_replacement").then(pl.lit("module"))
        .when(pl.col("kind") == "programming").then(pl.lit("calibration"))
        .when(pl.col("kind") == "reset").then(pl.lit("reset"))
        .when(pl.col("kind").is_in(["codes_cleared", "power_loss"])).then(pl.col("kind"))
        .when(pl.col("kind").is_in(HANDS_ON) & pl.col("reset_done")).then(pl.lit("replaced"))
        .when(pl.col("kind").is_in(HANDS_ON) & pl.col("codes_cleared")).then(pl.lit("codes_cleared"))
        .when(pl.col("kind").is_in(HANDS_ON) & ~pl.col("reset_done")).then(pl.lit("stale"))
        .when(pl.col("kind").is_in(HANDS_ON) & (pl.col("kind") != "inspection")).then(pl.lit("hands_on"))
    )  # fmt: skip
    where = ["component", "bank", "cylinder", "unreset"]
    work = (
        evidence.work.with_columns(unreset=~pl.col("reset_done").fill_null(value=True))
        .select("vehicle_id", "done_at", *where, event=kind)
        .filter(pl.col("event").is_not_null())
        .rename({"event": "kind"})
    )
    return first_rows_after(work, rows, at="done_at").select(
        "vehicle_id", "row", "kind", *where, started_at="done_at", first_read_at="read_at", recorded=pl.lit(value=True)
    )


def _inferred(rows: pl.DataFrame, clock: pl.DataFrame) -> pl.DataFrame:
    """Events that the readings show by themselves: another module or calibration, lost power, cleared codes."""
    marked = rows.join(clock, on="row").with_columns(before=pl.col("read_at").shift(1).over("vehicle_id"))
    other = pl.col("module_changed") | pl.col("other_module")
    middle = pl.col("before") + (pl.col("read_at") - pl.col("before")) / 2
    return pl.concat(
        [
            marked.filter(flag).select(
                "vehicle_id", "row", kind=pl.lit(name), started_at=pl.coalesce(at, "read_at"), first_read_at="read_at"
            )
            for name, flag, at in (
                ("module", other, middle),
                ("calibration", pl.col("calibration_changed"), middle),
                ("power_loss", pl.col("power_lost"), pl.coalesce("lost_at", middle)),
                ("codes_cleared", _cleared(other), middle),
            )
        ]
    )


def _cleared(other: pl.Expr) -> pl.Expr:
    """The counters fell, and nothing else that empties the memory happened."""
    return pl.col("cleared_counter") & ~other & ~pl.col("calibration_changed") & ~pl.col("power_lost")


def _snapped(recorded: pl.DataFrame, inferred: pl.DataFrame) -> pl.DataFrame:
    """Recorded events moved to the reading that shows them, where one does within `MISDATED_DAYS` of the recorded time.

    Work is dated by the day, or a day late; the module's texts and clock are not. A recorded power loss that no reading
    shows was none.
    """
    inferred_at = inferred.select(
        "vehicle_id", "kind", shown_row="row", shown_at="first_read_at", shown_start="started_at"
    )
    near = recorded.sort("started_at").join_asof(
        inferred_at.sort("shown_start"),
        left_on="started_at",
        right_on="shown_start",
        by=["vehicle_id", "kind"],
        strategy="nearest",
        tolerance=timedelta(days=MISDATED_DAYS),
        check_sortedness=False,
    )
    stated = recorded.join(inferred, on=["row", "kind"], how="semi").select("row", "kind", stated=pl.lit(value=True))
    moved = near.join(stated.unique(), on=["row", "kind"], how="left").with_columns(
        pl.when(pl.col("stated").is_null() & pl.col("shown_row").is_not_null())
        .then(pl.struct(row="shown_row", first_read_at="shown_at", started_at="shown_start"))
        .otherwise(pl.struct("row", "first_read_at", "started_at"))
        .struct.unnest()
    )
    stays = (pl.col("kind") != "power_loss") | pl.col("stated").is_not_null() | pl.col("shown_row").is_not_null()
    return moved.filter(stays).select(recorded.columns)
