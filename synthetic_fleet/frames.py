"""What a block left behind as the drop's frames, clean: quantised, limited, what was not read left out."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl

from synthetic_fleet import corrections as c
from synthetic_fleet.block import Calendar, Lived
from synthetic_fleet.constants import Constants
from synthetic_fleet.state import NEVER, Array

TIME = pl.Datetime("us", "UTC")
FAULT_FLAGS = ("present", "pending", "confirmed", "permanent", "intermittent")
WORK: dict[str, Any] = {
    "vehicle_id": pl.String,
    "done_at": TIME,
    "kind": pl.String,
    "component": pl.String,
    "bank": pl.Int64,
    "cylinder": pl.Int64,
    "part_number": pl.String,
    "part_batch": pl.String,
    "workshop": pl.String,
    "technician": pl.String,
    "odometer_km": pl.Float64,
    "cost": pl.Float64,
    "labour_hours": pl.Float64,
    "reset_done": pl.Boolean,
    "codes_cleared": pl.Boolean,
    "warranty": pl.Boolean,
    "cause": pl.String,
    "complaint": pl.String,
    "note": pl.String,
}


@dataclass
class Sheet:
    """A block's readings, sorted by vehicle and time, as arrays that dirt can get at."""

    start: Array  # [vehicles + 1] first reading of each vehicle
    reading: Array  # [readings] index into the block's readings
    columns: dict[str, Array]  # of the table snapshots, without the corrections
    values: Array  # [readings, corrections] float32, NaN: not read
    delivered: Array  # [readings] datetime64[M]: the month whose drop brings the row
    months: Array  # all months of the calendar
    again: list[int]  # readings that are delivered twice


def at_utc(times: Array) -> pl.Series:
    """Times as a polars series in UTC."""
    return pl.Series(np.asarray(times), dtype=pl.Datetime("us")).dt.replace_time_zone("UTC")


def sheet_of(lived: Lived, constants: Constants, calendar: Calendar, seed: int) -> Sheet:
    """The readings of a block; what varies from reading to reading comes from each vehicle's own stream."""
    readings = lived.readings
    order = np.lexsort((readings.day, readings.row))
    row, day = readings.row[order], readings.day[order]
    start = np.searchsorted(row, np.arange(len(lived.vehicles) + 1))
    chance = _chances(lived, start, seed)
    times = calendar.times(day, (900 + 300 * chance[:, 0]).astype(np.int64))
    weather = calendar.weather[day + calendar.burn_in, lived.fleet.vehicles.depot[row]]
    settings, scenario = constants.world.settings, constants.scenario
    values = readings.values[order].astype(np.float64)
    values = settings.neutral + np.rint((values - settings.neutral) / settings.resolution) * settings.resolution
    values = np.clip(values, settings.low, settings.high).astype(np.float32)
    left_out = chance[:, 6:] < scenario["unread_share"]
    values[~constants.fitted[lived.fleet.vehicles.family[row]] | left_out] = np.nan
    load = np.maximum(0.0, readings.electric[order])
    names = [[entry["name"] for entry in family["calibrations"]] for family in constants.families]
    calibration = [names[lived.vehicles[r].family][k] for r, k in zip(row, readings.calibration[order], strict=True)]
    columns = {
        "vehicle_id": np.array([vehicle.ident for vehicle in lived.vehicles])[row],
        "read_at": times,
        "ignition_hours": readings.clock[order].round(2),
        "odometer_km": readings.km[order].round(0),
        "calibration": np.array(calibration),
        "module": readings.module[order],
        "ambient_c": (weather[:, 0] + 3.0 * (chance[:, 1] - 0.5)).round(1),
        "coolant_c": (84.0 + 8.0 * chance[:, 2]).round(1),
        "baro_kpa": weather[:, 1].round(1),
        "battery_v": (12.75 - 0.2 * load - 0.35 * chance[:, 3]).round(2),
        "fuel_level_pct": (8.0 + 90.0 * chance[:, 4]).round(0),
        "faults_read": chance[:, 5] >= scenario["faults_unread_share"],
        "lamp_on": readings.lamp[order],
        "monitors_ready": np.minimum(1.0, np.floor(readings.warmups[order] / 12.0 * 8) / 8),
        "warmups_since_clear": np.minimum(255, readings.warmups[order]).astype(np.int64),
        "km_since_clear": np.minimum(65535, readings.cleared_km[order]).round(0),
    }
    months = np.unique(calendar.times(np.arange(calendar.days)).astype("datetime64[M]"))
    return Sheet(start, order, columns, values, times.astype("datetime64[M]"), months, [])


def _chances(lived: Lived, start: Array, seed: int) -> Array:
    """Uniform numbers of every reading, from its vehicle's own stream."""
    parts = [
        np.random.default_rng([seed, vehicle.number, 2]).random((end - begin, 6 + c.COUNT), dtype=np.float32)
        for vehicle, begin, end in zip(lived.vehicles, start[:-1], start[1:], strict=True)
    ]
    return np.concatenate(parts)


def snapshot_frame(sheet: Sheet, codes: tuple[str, ...]) -> pl.DataFrame:
    """The drop's `snapshots` with a column `delivered`, in the sheet's order."""
    columns = {name: at_utc(array) if name == "read_at" else array for name, array in sheet.columns.items()}
    frame = pl.DataFrame({**columns, "delivered": pl.Series(sheet.delivered.astype("datetime64[D]"))})
    values = pl.DataFrame(sheet.values, schema=list(c.CODES)).fill_nan(None)
    whole = pl.concat([frame, values.select(codes)], how="horizontal")
    later = np.minimum(sheet.delivered[sheet.again] + 1, sheet.months[-1]).astype("datetime64[D]")
    twice = whole[sheet.again].with_columns(pl.Series("delivered", later, dtype=pl.Date))
    return pl.concat([whole, twice])


def fault_frame(lived: Lived, sheet: Sheet, constants: Constants) -> pl.DataFrame:
    """The drop's `faults` with a column `delivered`; none where the fault memory was not read."""
    place = np.empty(len(sheet.reading), np.int64)
    place[sheet.reading] = np.arange(len(sheet.reading))
    found = [fault for fault in lived.faults if sheet.columns["faults_read"][place[fault[0]]]]
    where = place[np.array([fault[0] for fault in found], dtype=np.int64)]
    frozen = {(f.row, f.code, round(f.clock, 6)): f for f in lived.fault_sets}
    row = lived.readings.row
    frames = [frozen.get((int(row[fault[0]]), fault[1], round(fault[-1], 6))) for fault in found]
    columns: dict[str, Any] = {
        "vehicle_id": sheet.columns["vehicle_id"][where],
        "read_at": at_utc(sheet.columns["read_at"][where]),
        "code": pl.Series([constants.codes[fault[1]] for fault in found], dtype=pl.String),
        "occurrences": pl.Series([fault[2] for fault in found], dtype=pl.Int64),
    }
    for k, flag in enumerate(FAULT_FLAGS):
        columns[flag] = pl.Series([fault[3 + k] for fault in found], dtype=pl.Boolean)
    clocks = [None if not fault[5] else round(fault[-1], 2) for fault in found]
    columns["ignition_hours"] = pl.Series(clocks, dtype=pl.Float64)
    loads = [round(f.load, 1) if f and fault[5] else None for f, fault in zip(frames, found, strict=True)]
    coolants = [round(f.coolant, 0) if f and fault[5] else None for f, fault in zip(frames, found, strict=True)]
    columns["ff_engine_load"] = pl.Series(loads, dtype=pl.Float64)
    columns["ff_coolant_temp"] = pl.Series(coolants, dtype=pl.Float64)
    columns["delivered"] = pl.Series(sheet.delivered[where].astype("datetime64[D]"))
    return pl.DataFrame(columns).sort("vehicle_id", "read_at", "code")


def work_frame(lived: Lived) -> pl.DataFrame:
    """The drop's `work` from the first day on, with a column `delivered`."""
    frame = pl.DataFrame(lived.workshop.work, schema=WORK).filter(pl.col("done_at") >= lived.workshop.start)
    month = pl.col("done_at").dt.truncate("1mo").dt.date().alias("delivered")
    return frame.sort("vehicle_id", "done_at", "kind", "component").with_columns(month)


def vehicle_frame(lived: Lived, constants: Constants, calendar: Calendar) -> pl.DataFrame:
    """The drop's `vehicles`: each when it joins, and again with `retired_on` when it leaves."""
    rows = []
    families, depots, duties = (list(constants.scenario[name]) for name in ("families", "depots", "duties"))
    costs = constants.scenario["workshop"]["costs"]
    for v in lived.vehicles:
        age = timedelta(days=int(v.km / 60))
        bought = (calendar.start + timedelta(days=v.joined)).date() - age
        row = {
            "vehicle_id": v.ident,
            "vin": vin(v.number, v.family),
            "engine_family": families[v.family],
            "model_year": bought.year,
            "depot": depots[v.depot],
            "duty": duties[v.duty],
            "in_service_on": bought,
            "retired_on": None,
            "warranty_until": bought + timedelta(days=1095),
            "warranty_km": 100_000.0,
            "downtime_cost_per_day": float(costs["day_off_road"]),
            "delivered": (calendar.start + timedelta(days=max(v.joined, 0))).date().replace(day=1),
        }
        rows.append(row)
        if v.retired < NEVER:
            left = (calendar.start + timedelta(days=min(v.retired, calendar.days - 1))).date()
            rows.append({**row, "retired_on": left, "delivered": left.replace(day=1)})
    return pl.DataFrame(rows, schema_overrides={"retired_on": pl.Date}, infer_schema_length=None)


VALUE = dict(
    zip("0123456789ABCDEFGHJKLMNPRSTUVWXYZ", (*range(10), *range(1, 9), *range(1, 6), 7, 9, *range(2, 10)), strict=True)
)
WEIGHT = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


def vin(number: int, family: int) -> str:
    """An identification number of the shape of ISO 3779, its ninth place the check digit."""
    text = f"0WC{'ABCDEFGH'[family]}0000{0}WF{number + 1:06d}"
    left = sum(VALUE[letter] * weight for letter, weight in zip(text, WEIGHT, strict=True)) % 11
    return text[:8] + ("X" if left == 10 else str(left)) + text[9:]
