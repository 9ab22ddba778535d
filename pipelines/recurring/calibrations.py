"""The register of calibrations: readings and the drop's `calibrations` in, who has which and who is behind out."""

import polars as pl

from pipelines.handover import Evidence
from pipelines.in_service import in_service


def calibration_register(evidence: Evidence, readings: pl.DataFrame) -> pl.DataFrame:
    """One row per engine family and calibration that was released or read.

    Args:
        evidence: Vehicles and calibrations.
        readings: The history's, with the calibration filled forward.

    Returns:
        `engine_family, calibration, released_on, first_read_at, newest` (bool), `vehicles` (in service, that have it
        now), `behind` (of the family, that have an earlier one now; of the newest alone), `note`. Sorted by family,
        newest first. A calibration that the drop names for other families alone, or, where it names none, that more
        vehicles of another family have, is a module from elsewhere and no row here.
    """
    now = _now(evidence, readings).group_by("engine_family", "calibration").agg(vehicles=pl.len().cast(pl.Int64))
    told = evidence.calibrations.select("engine_family", "calibration", "released_on", "supersedes", "note")
    read = (
        readings.select("vehicle_id", "read_at", "engine_family", "calibration")
        .filter(pl.col("calibration").is_not_null())
        .group_by("engine_family", "calibration")
        .agg(first_read_at=pl.col("read_at").min(), ever=pl.col("vehicle_id").n_unique())
    )
    of = ["engine_family", "calibration"]
    named = pl.concat([told.select(of).with_columns(ever=None), read.select(*of, "ever")], how="vertical_relaxed")
    home = named.sort(pl.col("ever").fill_null(2**31), descending=True, maintain_order=True).unique(
        "calibration", keep="first", maintain_order=True
    )
    own = pl.concat([told.select(of), home.select(of)]).unique()
    every = (
        read.join(told, on=of, how="full", coalesce=True)
        .filter(pl.col("engine_family").is_in(read["engine_family"].implode()))
        .join(own, on=of, how="semi")
        .join(told.select("engine_family", calibration="supersedes", superseded=True).unique(), on=of, how="left")
        .with_columns(at=pl.coalesce(pl.col("released_on").cast(pl.Datetime("us", "UTC")), "first_read_at"))
    )
    newest = (
        every.filter(pl.col("superseded").is_null())
        .sort("engine_family", "at", "calibration")
        .unique("engine_family", keep="last", maintain_order=True)
        .select(*of, newest=pl.lit(value=True))
    )
    return (
        every.join(newest, on=of, how="left")
        .join(now, on=of, how="left")
        .with_columns(pl.col("newest").fill_null(value=False), pl.col("vehicles").fill_null(0))
        .with_columns(
            behind=pl.when("newest").then(pl.col("vehicles").sum().over("engine_family") - pl.col("vehicles"))
        )
        .sort("engine_family", "newest", "at", "calibration", descending=[False, True, True, False])
        .select(*of, "released_on", "first_read_at", "newest", "vehicles", "behind", "note")
    )


def behind(evidence: Evidence, readings: pl.DataFrame, register: pl.DataFrame) -> pl.DataFrame:
    """The list for a campaign: vehicles in service whose newest reading has an older calibration of the register.

    Returns:
        `vehicle_id, vin, depot, engine_family, calibration, newest_calibration, has_it_since` (first reading with it),
        `last_read_at`, sorted by family, depot and vehicle.
    """
    newest = register.filter("newest").select("engine_family", newest_calibration="calibration")
    known = register.select("engine_family", "calibration")
    about = evidence.vehicles.select("vehicle_id", "vin", "depot")
    return (
        _now(evidence, readings)
        .join(known, on=["engine_family", "calibration"], how="semi")
        .join(newest, on="engine_family")
        .filter(pl.col("calibration") != pl.col("newest_calibration"))
        .join(about, on="vehicle_id", how="left")
        .sort("engine_family", "depot", "vehicle_id")
        .select(
            "vehicle_id", "vin", "depot", "engine_family", "calibration", "newest_calibration", "has_it_since",
            "last_read_at",
        )
    )  # fmt: skip


def _now(evidence: Evidence, readings: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id, engine_family, calibration, has_it_since, last_read_at of vehicles in service whose one is known."""
    known = (
        readings.select("vehicle_id", "read_at", "engine_family", "calibration")
        .filter(pl.col("calibration").is_not_null())
        .join(in_service(evidence.vehicles, evidence.as_of), on="vehicle_id", how="semi")
    )
    run = (pl.col("calibration") != pl.col("calibration").shift(1)).fill_null(value=True).cum_sum().over("vehicle_id")
    return (
        known.sort("vehicle_id", "read_at")
        .with_columns(run=run)
        .group_by("vehicle_id", "run", maintain_order=True)
        .agg(
            pl.col("engine_family", "calibration").last(),
            has_it_since=pl.col("read_at").min(),
            last_read_at=pl.col("read_at").max(),
        )
        .group_by("vehicle_id", maintain_order=True)
        .last()
        .drop("run")
    )
