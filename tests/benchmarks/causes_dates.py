"""The frames of an analysis as of an earlier date, cut out of a later one's: every row rests on those before it."""

from dataclasses import replace

import numpy as np
import polars as pl

from pipelines.handover import Drift
from pipelines.history.since_reading import since_reading

BY_ROW = ("expected", "scale", "deviation", "z", "slope", "leeway", "evidence", "alarm", "relearning")
OF_PANEL = ("read_at", "hours", "km", "depot", "duty", "calibration", "values", "epoch")
READ_WITHIN_DAYS = 8


def at_date(drift, evidence, history, at):
    """Drift, evidence and history as of a date, and the vehicles that were read lately and not worked on since."""
    families = tuple(_cut(family, at) for family in drift.families)
    tables = {
        name: getattr(evidence, name).filter(pl.col(column) <= at)
        for name, column in (("snapshots", "read_at"), ("faults", "read_at"), ("work", "done_at"))
    }
    then = replace(evidence, as_of=at, **tables)
    events = history.fault_events.filter(pl.col("found_at") <= at).with_columns(
        ended=pl.when(pl.col("ended_at") > at).then(pl.lit("open")).otherwise("ended"),
        ended_at=pl.when(pl.col("ended_at") <= at).then("ended_at"),
    )
    newest = then.snapshots.group_by("vehicle_id").agg(pl.col("read_at").max())
    read = newest.filter(pl.col("read_at") > at - pl.duration(days=READ_WITHIN_DAYS))["vehicle_id"]
    worked = since_reading(then).work["vehicle_id"].to_list()
    calm = read.filter(~read.is_in(worked)).to_list()
    moved = drift.extras["drift_moved"].filter(pl.col("week_from") <= at - pl.duration(days=7))
    then_drift = Drift(families=families, correction_state=drift.correction_state, extras={"drift_moved": moved})
    return then_drift, then, replace(history, fault_events=events), calm


def _cut(family, at):
    panel = family.panel
    keep = panel.read_at <= np.datetime64(at.replace(tzinfo=None), "us")
    vehicle = np.repeat(np.arange(len(panel.vehicles)), np.diff(panel.row_start))
    count = np.bincount(vehicle[keep], minlength=len(panel.vehicles))
    known = count > 0
    panel = replace(
        panel,
        vehicles=tuple(name for name, some in zip(panel.vehicles, known, strict=True) if some),
        row_start=np.append(0, np.cumsum(count[known])),
        **{name: getattr(panel, name)[keep] for name in OF_PANEL},
    )
    return replace(family, panel=panel, **{name: getattr(family, name)[keep] for name in BY_ROW})
