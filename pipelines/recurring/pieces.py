"""Mending work as pieces to be judged: rows of work in, one row per visit and component out, and what came after."""

from datetime import timedelta

import polars as pl

from pipelines.handover import Evidence
from pipelines.in_service import in_service
from pipelines.recurring.visits import KEY as VISIT
from pipelines.recurring.visits import with_visits

MENDS = ("cleaning", "adjustment", "repair", "replacement", "reset", "module_replacement", "programming")
WATCHED = timedelta(days=180)  # after the work, or up to the next work on the same part (judgement)
BACK_IN = timedelta(days=28)  # a vehicle back with a complaint so soon after work for one: for the same (judgement)
NEXT_DAY = timedelta(hours=12)  # parts mended within it are one stay in the workshop (judgement)
PLACE = ("bank", "cylinder")
PART = ("part_number", "part_batch", "workshop")


def pieces_of_work(evidence: Evidence, readings: pl.DataFrame) -> pl.DataFrame:
    """Mending work on vehicles in service, one row per visit and component, dated by its last row.

    Args:
        evidence: Work rows and vehicles.
        readings: `vehicle_id, read_at`, which part visits from each other.

    Returns:
        Sorted by vehicle, time and component: `vehicle_id, component, done_at, kind, bank, cylinder, cause, complaint,
        part_number, part_batch, workshop, odometer_km, reset_said` (bool: a row says whether learned values were set
        back; null: none does), `until` (the component's next visit, or WATCHED), `again_at` (that next visit, where the
        vehicle came to it with a complaint, or it was for the same recorded cause, or the part of the same bank or
        cylinder was replaced anew), and of the next visit for another component soon after with a complaint `other_at`
        and `other_component`.
    """
    visits = with_visits(
        evidence.work.join(in_service(evidence.vehicles, evidence.as_of), on="vehicle_id", how="semi"), readings
    ).with_columns(
        mends=pl.col("kind").is_in(MENDS),
        named=pl.col("component").is_not_null() & pl.col("kind").is_in(MENDS),
    )
    part = [*VISIT, "component"]
    pieces = (
        visits.filter(pl.col("mends").any().over(part))
        .filter(pl.col("component").is_not_null() | ~pl.col("named").any().over(VISIT))
        .sort(*part, "done_at", "kind")
        .group_by(part, maintain_order=True)
        .agg(
            pl.col("done_at").max(),
            pl.col("kind").filter("mends").first(),
            *(_agreed(name) for name in PLACE),
            *(pl.col(name).drop_nulls().last() for name in ("cause", "complaint", *PART, "odometer_km")),
            reset_said=pl.col("was_reset").first(),
        )
        .sort("vehicle_id", "done_at", "component")
    )
    following = pl.col("done_at", "kind", "complaint", "cause", *PLACE).shift(-1).over("vehicle_id", "component")
    watched = pieces.with_columns(following.name.prefix("next_")).with_columns(
        until=pl.min_horizontal(pl.col("done_at") + WATCHED, "next_done_at")
    )
    replaced = (pl.col("kind") == "replacement") & (pl.col("next_kind") == "replacement")
    there = pl.any_horizontal(pl.col(name) == pl.col(f"next_{name}") for name in PLACE)
    trouble = pl.any_horizontal(
        pl.col("next_complaint").is_not_null(), pl.col("cause") == pl.col("next_cause"), replaced & there
    )
    again = trouble.fill_null(value=False) & (pl.col("next_done_at") == pl.col("until"))
    same = pl.all_horizontal(
        pl.col(name).is_null() | pl.col(f"next_{name}").is_null() | (pl.col(name) == pl.col(f"next_{name}"))
        for name in PLACE
    )
    return (
        watched.with_columns(again_at=pl.when(again & same & pl.col("component").is_not_null()).then("next_done_at"))
        .select(pl.exclude("^next_.*$", "visit"))
        .join(_other_part_soon_after(pieces), on=["vehicle_id", "component", "done_at"], how="left", nulls_equal=True)
        .sort("vehicle_id", "done_at", "component")
    )


def _other_part_soon_after(pieces: pl.DataFrame) -> pl.DataFrame:
    """Of each piece the first work on another component within BACK_IN that the vehicle came to with a complaint."""
    key = ["vehicle_id", "component", "done_at"]
    later = pieces.filter(pl.col("complaint").is_not_null(), pl.col("component").is_not_null()).select(
        "vehicle_id", other_at="done_at", other_component="component"
    )
    apart = pl.col("other_at") - pl.col("done_at")
    return (
        pieces.select(key)
        .join(later, on="vehicle_id")
        .filter(apart >= NEXT_DAY, apart <= BACK_IN, pl.col("component").ne_missing(pl.col("other_component")))
        .sort("other_at", "other_component")
        .unique(key, keep="first", maintain_order=True)
    )


def _agreed(name: str) -> pl.Expr:
    """The one value that rows give; null where they give none, or several: then no place is left out."""
    given = pl.col(name).drop_nulls()
    return pl.when(given.n_unique() == 1).then(given.first()).alias(name)
