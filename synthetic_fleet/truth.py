"""What really happened, as frames: defects, severities, deviations and what they count as, faults, limits, repairs."""

from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl

from synthetic_fleet import corrections as c
from synthetic_fleet.block import Calendar, Lived
from synthetic_fleet.constants import Constants
from synthetic_fleet.frames import TIME, at_utc
from synthetic_fleet.futures import Crossing
from synthetic_fleet.growth import LAWS, PLATEAU
from synthetic_fleet.state import Array

NULL, SURE = 0.5, 1.0  # sigmas below which a deviation counts as none, and from which on as one
DEFECTS: dict[str, Any] = {
    "vehicle_id": pl.String,
    "defect": pl.String,
    "cause": pl.String,
    "bank": pl.Int64,
    "cylinder": pl.Int64,
    "onset_at": TIME,
    "law": pl.String,
    "rate_per_day": pl.Float64,
    "level": pl.Float64,
    "ended_at": TIME,
    "ended": pl.String,
}
REPAIRS: dict[str, Any] = {
    "vehicle_id": pl.String,
    "done_at": TIME,
    "component": pl.String,
    "true_cause": pl.String,
    "right": pl.Boolean,
    "held": pl.Boolean,
    "reset": pl.Boolean,
    "why": pl.String,
    "part_batch": pl.String,
}
HAPPENINGS: dict[str, Any] = {
    "vehicle_id": pl.String,
    "at": TIME,
    "what": pl.String,
    "recorded": pl.Boolean,
    "detail": pl.String,
}
PIECES: dict[str, Any] = {
    "kind": pl.String,
    "vehicle_id": pl.String,
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),
    "column": pl.String,
    "detail": pl.String,
    "file": pl.String,
}


def truth_frames(
    lived: Lived, constants: Constants, calendar: Calendar, sigma: Array, crossings: list[Crossing]
) -> dict[str, pl.DataFrame]:
    """Every table of the truth that one block adds to; `sigma` is [families, corrections]."""
    shop = lived.workshop
    return {
        "defects": pl.DataFrame(shop.ailments, schema=DEFECTS),
        "repairs": pl.DataFrame(shop.repairs, schema=REPAIRS),
        "happenings": pl.DataFrame(shop.happenings, schema=HAPPENINGS),
        "faults": faults(lived, constants, calendar),
        "severity": severities(lived, calendar),
        "deviation": deviations(lived, constants, calendar, sigma),
        "limits": limits(lived, calendar, crossings),
    }


def _names(lived: Lived) -> Array:
    return np.array([vehicle.ident for vehicle in lived.vehicles])


def faults(lived: Lived, constants: Constants, calendar: Calendar) -> pl.DataFrame:
    """Codes when they were confirmed, with the defect that was worst then (`none`: no defect acted)."""
    names = _names(lived)
    rows = [
        {
            "vehicle_id": str(names[fault.row]),
            "set_at": calendar.start + timedelta(days=fault.day, hours=12),
            "code": constants.codes[fault.code],
            "ignition_hours": round(fault.clock, 2),
            "defect": fault.defect,
            "cause": fault.cause,
        }
        for fault in lived.fault_sets
        if fault.day >= 0
    ]
    schema: dict[str, Any] = {"vehicle_id": pl.String, "set_at": TIME, "code": pl.String, "ignition_hours": pl.Float64}
    return pl.DataFrame(rows, schema={**schema, "defect": pl.String, "cause": pl.String})


def severities(lived: Lived, calendar: Calendar) -> pl.DataFrame:
    """Severity of every defect at the end of every week."""
    names = _names(lived)
    parts = [part for part in lived.severities if len(part[1])]
    days = np.concatenate([np.full(len(part[1]), part[0]) for part in parts]) if parts else np.zeros(0, np.int64)
    rows, defects, severity = ([part[k] for part in parts] for k in (1, 2, 3))
    return pl.DataFrame(
        {
            "vehicle_id": pl.Series(names[np.concatenate(rows)] if rows else [], dtype=pl.String),
            "week_end": at_utc(calendar.times(days)),
            "defect": pl.Series(np.concatenate(defects) if rows else [], dtype=pl.String),
            "severity": pl.Series(np.concatenate(severity) if rows else [], dtype=pl.Float32),
        }
    )


def deviations(lived: Lived, constants: Constants, calendar: Calendar, sigma: Array) -> pl.DataFrame:
    """Noise-free deviation from health at the end of every week, where it is above a tenth of a sigma.

    Column `counts_as`: null, benign (all that acts on the vehicle has levelled off for good), harmful, or between.
    """
    parts: list[tuple[Array, ...]] = []
    harmless = _harmless(lived)
    for day, rows, columns, value in lived.deviations:
        scale = sigma[lived.fleet.vehicles.family[rows], columns]
        fitted = constants.fitted[lived.fleet.vehicles.family[rows], columns]
        keep = fitted & (np.abs(value) > 0.1 * scale)
        sigmas = (value / scale).astype(np.float32)
        parts.append(
            (np.full(keep.sum(), day), rows[keep], columns[keep], value[keep], sigmas[keep], harmless[day][rows[keep]])
        )
    days, who, what, value, sigmas, calm = (np.concatenate(column) for column in zip(*parts, strict=True))
    size = np.abs(sigmas)
    kind = np.select([size < NULL, size < SURE, calm], ["null", "between", "benign"], "harmful")
    return pl.DataFrame(
        {
            "vehicle_id": _names(lived)[who],
            "week_end": at_utc(calendar.times(days)),
            "correction": np.array(c.CODES)[what],
            "deviation": value,
            "in_sigma": sigmas,
            "counts_as": kind.astype(str),
        }
    )


def _harmless(lived: Lived) -> dict[int, Array]:
    """By week: which rows have no defect but such as level off for good."""
    plateau = {entry["defect"] for entry in lived.workshop.ailments if entry["law"] == LAWS[PLATEAU]}
    calm = {}
    for day, rows, defects, _ in lived.severities:
        bad = np.array([name not in plateau for name in defects], dtype=bool)
        any_defect, any_bad = np.zeros(len(lived.vehicles), bool), np.zeros(len(lived.vehicles), bool)
        any_defect[rows] = True
        any_bad[rows[bad]] = True
        calm[day] = any_defect & ~any_bad
    return calm


def limits(lived: Lived, calendar: Calendar, crossings: list[Crossing]) -> pl.DataFrame:
    """Days on which the noise-free level met a limit, or would have met it had no work been done."""
    names = _names(lived)
    rows: list[dict[str, Any]] = [
        {"vehicle_id": str(names[row]), "correction": c.CODES[k], "day": day, "worked_on": None}
        for row, k, day in lived.crossings
    ]
    rows += [
        {"vehicle_id": str(names[x.row]), "correction": c.CODES[x.correction], "day": x.day, "worked_on": x.worked_on}
        for x in crossings
    ]
    schema = {"vehicle_id": pl.String, "correction": pl.String, "day": pl.Int64, "worked_on": pl.Int64}
    start = pl.lit(calendar.start + timedelta(hours=12)).cast(TIME)
    return pl.DataFrame(rows, schema=schema).select(
        "vehicle_id",
        "correction",
        (start + pl.duration(days="day")).alias("limit_at"),
        (start + pl.duration(days="worked_on")).alias("but_for_work_at"),
    )
