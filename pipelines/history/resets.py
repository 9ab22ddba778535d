"""What may have set learned values back: work rows, changed modules and calibrations, lost power."""

import polars as pl

from pipelines.handover import Evidence
from pipelines.history.rows import first_rows_after

HANDS_ON = ("repair", "replacement", "cleaning", "adjustment", "inspection")


def resetting_events(rows: pl.DataFrame, clock: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Everything that may have set values back, one row per event and its first reading.

    Args:
        rows: As `reading_rows` gives them.
        clock: row, power_lost, lost_at (the best estimate of when) and other_module (its clock says so), per reading.
        evidence: Its work rows.

    Returns:
        vehicle_id, row, kind, component, bank, cylinder, unreset (hands on, said without a reset; null: not hands on),
        started_at, first_read_at, recorded. kind: `module`,
        `calibration`, `reset`, `replaced` (hands on, reset done), `hands_on` (not said), `stale` (said not to be done),
        `power_loss`, `codes_cleared`.
    """
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
    recorded = first_rows_after(work, rows, at="done_at").select(
        "vehicle_id", "row", "kind", *where, started_at="done_at", first_read_at="read_at", recorded=pl.lit(value=True)
    )
    marked = rows.join(clock.select("row", "power_lost", "lost_at", "other_module"), on="row").with_columns(
        before=pl.col("read_at").shift(1).over("vehicle_id")
    )
    middle = pl.col("before") + (pl.col("read_at") - pl.col("before")) / 2
    inferred = pl.concat(
        [
            marked.filter(flag).select(
                "vehicle_id", "row", kind=pl.lit(name), started_at=pl.coalesce(at, "read_at"), first_read_at="read_at"
            )
            for name, flag, at in (
                ("module", pl.col("module_changed") | pl.col("other_module"), middle),
                ("calibration", pl.col("calibration_changed"), middle),
                ("power_loss", pl.col("power_lost"), pl.coalesce("lost_at", middle)),
            )
        ]
    )
    inferred = inferred.join(recorded, on=["row", "kind"], how="anti").with_columns(recorded=pl.lit(value=False))
    return pl.concat([recorded, inferred], how="diagonal").sort("row", "kind", "component", "started_at")
