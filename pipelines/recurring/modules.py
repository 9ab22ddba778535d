"""Replaced engine control modules: readings and work in; what each brought, and whether it has learned, out."""

from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipelines.handover import Drift, Evidence, FamilyDrift, History
from pipelines.in_service import in_service
from pipelines.recurring.around import median_read

NEAR = timedelta(days=30)  # a row of work so near to the first reading with the new module tells of it (judgement)
OWN, NEUTRAL, FOREIGN = "its own values", "neutral values", "values from elsewhere"
LEAST_READ = 5  # corrections from which it is told what a module began with (judgement)
FAR = 3.0  # median healthy scatters from own and from neutral values beyond which they are another's (judgement)


BEGUN = pl.Schema({"vehicle_id": pl.String(), "changed_at": pl.Datetime("us", "UTC"), "began_with": pl.String()})


def module_changes(
    begun: pl.DataFrame, correction_state: pl.DataFrame, *, evidence: Evidence, history: History, register: pl.DataFrame
) -> pl.DataFrame:
    """One row per change of a module's serial on a vehicle in service, newest first.

    Vehicles whose readings a file exchanged change no module and have no row.

    Args:
        begun: From `begun_with`.
        correction_state: What is still learned anew.
        evidence: Vehicles and work.
        history: Readings with the module filled forward.
        register: From `calibration_register`.

    Returns:
        `vehicle_id, changed_at` (first reading with it), `old_module, new_module, recorded` (bool: a row of work tells
        of it), `from_vehicle` (that had it before; null: none known), `began_with` (OWN, NEUTRAL or FOREIGN, whichever
        its first reading is nearest to; null: too little was read), `calibration_before, calibration` (with it),
        `newest` (bool: that is its family's newest), `learning, learned` (corrections learned anew now, and all that
        are learned or learning; of a vehicle's newest change alone).
    """
    changes, read = _changes(evidence, history)
    changes = _without_exchanges(changes, read)
    told = evidence.work.filter(pl.col("kind") == "module_replacement").select("vehicle_id", "done_at").sort("done_at")
    states = correction_state.group_by("vehicle_id").agg(
        learning=(pl.col("state") == "relearning").sum().cast(pl.Int64),
        learned=pl.col("state").is_in(["steady", "drifting", "outside", "relearning"]).sum().cast(pl.Int64),
    )
    newest = register.select("engine_family", "calibration", "newest")
    last = pl.col("changed_at") == pl.col("changed_at").max().over("vehicle_id")
    return (
        changes.sort("changed_at")
        .join_asof(
            told, left_on="changed_at", right_on="done_at", by="vehicle_id", tolerance=NEAR, check_sortedness=False
        )
        .join(begun, on=["vehicle_id", "changed_at"], how="left")
        .join(states, on="vehicle_id", how="left")
        .join(newest, on=["engine_family", "calibration"], how="left")
        .with_columns(pl.when(last).then(pl.col("learning", "learned")))
        .sort("changed_at", "vehicle_id", descending=[True, False])
        .select(
            "vehicle_id", "changed_at", "from_vehicle", "began_with", "calibration_before", "calibration", "newest",
            "learning", "learned", old_module="module_before", new_module="module",
            recorded=pl.col("done_at").is_not_null(),
        )
    )  # fmt: skip


def _without_exchanges(changes: pl.DataFrame, read: pl.DataFrame) -> pl.DataFrame:
    """The changes with `from_vehicle`, but for those that readings of exchanged vehicles feign.

    A vehicle that is back at a module which it had before, one whose new module is still read on the vehicle that it
    came from, and two that took each other's: these are exchanges in the files.
    """
    key = ["vehicle_id", "changed_at"]
    stays = read.group_by("module", "vehicle_id").agg(first_at=pl.col("read_at").min(), last_at=pl.col("read_at").max())
    had = changes.join(stays.rename({"vehicle_id": "had_by"}), on="module").filter(
        pl.col("first_at") < pl.col("changed_at")
    )
    others = had.filter(pl.col("had_by") != pl.col("vehicle_id"))
    returned = had.filter(pl.col("had_by") == pl.col("vehicle_id"))
    lent = others.filter(pl.col("last_at") > pl.col("changed_at"))
    took = others.join(
        stays.select(module_before="module", had_by="vehicle_id", old_at="last_at"), on=["module_before", "had_by"]
    ).filter(pl.col("old_at") > pl.col("changed_at"))
    feigned = pl.concat([part.select(key) for part in (returned, lent, took)])
    donor = others.sort("last_at").unique(key, keep="last", maintain_order=True).select(*key, from_vehicle="had_by")
    return changes.join(feigned, on=key, how="anti").join(donor, on=key, how="left")


def _changes(evidence: Evidence, history: History) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Readings of vehicles in service with another module than the one before; all readings whose module is known."""
    before = pl.col("module", "calibration").shift(1).over("vehicle_id").name.suffix("_before")
    columns = ("vehicle_id", "read_at", "engine_family", "module", "calibration")
    read = history.readings.select(columns).filter(pl.col("module").is_not_null()).sort("vehicle_id", "read_at")
    changes = (
        read.join(in_service(evidence.vehicles, evidence.as_of), on="vehicle_id", how="semi")
        .select("vehicle_id", "engine_family", "module", "calibration", before, changed_at="read_at")
        .filter(pl.col("module") != pl.col("module_before"))
    )
    return changes, read


def begun_with(drift: Drift, *, evidence: Evidence, history: History) -> pl.DataFrame:
    """Rows of `BEGUN`: what each new module's first reading is nearest to, exchanges in the files among them.

    Args:
        drift: Readings.
        evidence: Vehicles.
        history: Readings with the module filled forward.
    """
    changes, _ = _changes(evidence, history)
    found: list[tuple[str, datetime, str | None]] = []
    where = {name: (family, v) for family in drift.families for v, name in enumerate(family.panel.vehicles)}
    for vehicle, at in changes.select("vehicle_id", "changed_at").iter_rows():
        if vehicle in where:
            family, v = where[vehicle]
            found.append((vehicle, at, _began_with(family, v, np.datetime64(at.replace(tzinfo=None), "us"))))
    return pl.DataFrame(found, schema=BEGUN, orient="row")


def _began_with(family: FamilyDrift, v: int, at: np.datetime64) -> str | None:
    panel = family.panel
    start, stop = panel.row_start[v], panel.row_start[v + 1]
    row = start + int(np.searchsorted(panel.read_at[start:stop], at))
    if row == start or row >= stop:
        return None
    first, scatter = panel.values[row].astype(np.float64), np.maximum(family.sigma, 1e-12)
    before = (
        median_read(panel.values[max(start, row - 3) : row].astype(np.float64))
        if row > start
        else np.full(len(first), np.nan)
    )
    told = ~np.isnan(first) & ~np.isnan(before)
    if told.sum() < LEAST_READ:
        return None
    far = {OWN: np.abs(first - before), NEUTRAL: np.abs(first - panel.neutral)}
    median = {name: float(np.median((away / scatter)[told])) for name, away in far.items()}
    nearest = min(median, key=median.__getitem__)
    return nearest if median[nearest] <= FAR else FOREIGN
