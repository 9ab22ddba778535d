"""From what a block left behind to the files of the drops and of the truth."""

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from synthetic_fleet import corrections as c
from synthetic_fleet import defects
from synthetic_fleet.block import Calendar, Lived, at
from synthetic_fleet.fleet import Constants

Array = npt.NDArray[Any]
TIME = pl.Datetime("us", "UTC")


class Writer:
    """Writes block after block; holds no more than one."""

    def __init__(
        self,
        out: Path,
        constants: Constants,
        calendar: Calendar,
        seed: int,
        file_format: str,
        *,
        open_standard_only: bool,
    ) -> None:
        self.out, self.constants, self.calendar, self.seed = out, constants, calendar, seed
        self.file_format, self.open_standard_only = file_format, open_standard_only
        self.truth = out / "truth"
        self.truth.mkdir(parents=True, exist_ok=True)
        self.vehicles: list[pl.DataFrame] = []

    def block(self, lived: Lived, number: int) -> None:
        """Write one block's rows into every month's folder and into the truth."""
        snapshots = snapshot_frame(lived, self.constants, self.calendar, self.seed)
        if self.open_standard_only:
            snapshots = cut_to_open_standard(snapshots)
        self._monthly("snapshots", snapshots, "read_at", number)
        faults = fault_frame(lived, self.constants, self.calendar)
        seen = snapshots.filter("faults_read").select("vehicle_id", "read_at")
        self._monthly("faults", faults.join(seen, on=["vehicle_id", "read_at"], how="semi"), "read_at", number)
        self._monthly("work", work_frame(lived), "done_at", number)
        self.vehicles.append(vehicle_frame(lived, self.constants))
        for name, frame in truth_frames(lived, self.constants, self.calendar).items():
            folder = self.truth / name
            folder.mkdir(exist_ok=True)
            frame.write_parquet(folder / f"{name}-{number:04d}.parquet")

    def close(self) -> None:
        """Write what is known once a fleet: into the first month's folder."""
        first = self.out / f"{self.calendar.start:%Y-%m}"
        first.mkdir(exist_ok=True)
        pl.concat(self.vehicles).write_csv(first / "vehicles.csv")
        for name, frame in fleet_frames(self.constants, self.calendar).items():
            frame.write_csv(first / f"{name}.csv")

    def _monthly(self, table: str, frame: pl.DataFrame, time: str, number: int) -> None:
        if frame.is_empty():
            return
        months = frame.with_columns(pl.col(time).dt.strftime("%Y-%m").alias("month"))
        for (month,), part in months.partition_by("month", as_dict=True, include_key=False).items():
            folder = self.out / str(month)
            folder.mkdir(exist_ok=True)
            path = folder / f"{table}-{month}-{number:04d}"
            if self.file_format == "csv" or table == "work":
                part.write_csv(path.with_name(path.name + ".csv"), datetime_format="%Y-%m-%dT%H:%M:%SZ")
            else:
                part.write_parquet(path.with_name(path.name + ".parquet"))


def snapshot_frame(lived: Lived, constants: Constants, calendar: Calendar, seed: int) -> pl.DataFrame:
    """The drop's `snapshots`: quantised, limited, with what was not read left out."""
    neutral, low, high, resolution = constants.settings[:4]
    scenario = constants.scenario
    rows = lived.rows
    whole = lived.values.astype(np.float64) + neutral
    whole = neutral + np.rint((whole - neutral) / resolution) * resolution
    whole = np.clip(whole, low, high)
    family = rows.family_of[lived.read_row]
    rng = np.random.default_rng([seed, int(lived.ids[0][3:]), 2])
    unread = rng.random(whole.shape) < scenario["unread_share"]
    whole[~constants.fitted[family] | unread] = np.nan
    clock, km, ambient, kpa, warmups, since, lamp, _ = lived.around.T
    families = list(scenario["families"].values())
    calibration = np.array([entry["calibrations"][0] for entry in families])
    faults_read = rng.random(len(whole)) >= scenario["faults_unread_share"]
    frame = pl.DataFrame(
        {
            "vehicle_id": np.array(lived.ids)[lived.read_row],
            "read_at": at(calendar, lived.read_day, lived.read_minute),
            "ignition_hours": clock.round(2),
            "odometer_km": km.round(0),
            "calibration": calibration[family],
            "module": np.array([f"M{ident[3:]}A" for ident in lived.ids])[lived.read_row],
            "ambient_c": ambient.round(1),
            "coolant_c": (88.0 + rng.normal(0, 2.0, len(whole))).round(1),
            "baro_kpa": kpa.round(1),
            "battery_v": (12.55 + rng.normal(0, 0.15, len(whole))).round(2),
            "fuel_level_pct": rng.uniform(8, 98, len(whole)).round(0),
            "faults_read": faults_read,
            "lamp_on": lamp > 0,
            "monitors_ready": np.minimum(1.0, np.floor(warmups / 12.0 * 8) / 8),
            "warmups_since_clear": np.minimum(255, warmups).astype(np.int64),
            "km_since_clear": np.minimum(65535, since).round(0),
        }
    ).with_columns(pl.col("read_at").dt.replace_time_zone("UTC"))
    values = pl.DataFrame(whole.astype(np.float32), schema=list(c.CODES)).fill_nan(None)
    return pl.concat([frame, values], how="horizontal").sort("vehicle_id", "read_at")


def cut_to_open_standard(snapshots: pl.DataFrame) -> pl.DataFrame:
    """Only what the open standard (SAE J1979) reads on every vehicle: trims per bank and a few more."""
    return snapshots.drop([code for code in c.CODES if code not in c.OPEN_STANDARD])


def fault_frame(lived: Lived, constants: Constants, calendar: Calendar) -> pl.DataFrame:
    """The drop's `faults`."""
    schema = {
        "reading": pl.Int64, "code": pl.Int64, "occurrences": pl.Int64, "present": pl.Boolean, "pending": pl.Boolean,
        "confirmed": pl.Boolean, "permanent": pl.Boolean, "intermittent": pl.Boolean, "ignition_hours": pl.Float64,
    }  # fmt: skip
    frame = pl.DataFrame(lived.faults, schema=schema, orient="row")
    reading = frame["reading"].to_numpy()
    codes = np.array(constants.codes)[frame["code"].to_numpy()]
    when = at(calendar, lived.read_day[reading], lived.read_minute[reading])
    return frame.select(
        pl.Series("vehicle_id", np.array(lived.ids)[lived.read_row[reading]], dtype=pl.String),
        pl.Series("read_at", when, dtype=pl.Datetime("us")).dt.replace_time_zone("UTC"),
        pl.Series("code", codes, dtype=pl.String),
        *list(schema)[2:-1],
        pl.col("ignition_hours").round(2),
    ).sort("vehicle_id", "read_at", "code")


WORK = {
    "vehicle_id": pl.String, "done_at": TIME, "kind": pl.String, "component": pl.String, "bank": pl.Int64,
    "cylinder": pl.Int64, "part_number": pl.String, "part_batch": pl.String, "workshop": pl.String,
    "technician": pl.String, "odometer_km": pl.Float64, "cost": pl.Float64, "labour_hours": pl.Float64,
    "reset_done": pl.Boolean, "codes_cleared": pl.Boolean, "warranty": pl.Boolean, "cause": pl.String,
    "complaint": pl.String, "note": pl.String,
}  # fmt: skip


def work_frame(lived: Lived) -> pl.DataFrame:
    """The drop's `work`, from the first day on."""
    frame = pl.DataFrame(lived.workshop.log.work, schema=WORK)
    return frame.filter(pl.col("done_at") >= lived.workshop.start).sort("vehicle_id", "done_at", "kind", "component")


def vehicle_frame(lived: Lived, constants: Constants) -> pl.DataFrame:
    """The drop's `vehicles`."""
    scenario, rows = constants.scenario, lived.rows
    return pl.DataFrame(
        {
            "vehicle_id": lived.ids,
            "vin": [f"WFC{ident[3:]}ZZAA{ident[3:]}" for ident in lived.ids],
            "engine_family": np.array(list(scenario["families"]))[rows.family_of],
            "model_year": [2024 + int(ident[-1]) % 6 for ident in lived.ids],
            "depot": np.array(list(scenario["depots"]))[rows.depot_of],
            "duty": np.array(list(scenario["duties"]))[rows.duty_of],
            "downtime_cost_per_day": np.full(len(lived.ids), 180.0),
        }
    )


def fleet_frames(constants: Constants, calendar: Calendar) -> dict[str, pl.DataFrame]:
    """Tables that do not grow with the fleet."""
    scenario = constants.scenario
    families = pl.DataFrame(
        [
            {
                "engine_family": name,
                "cylinders": entry["cylinders"],
                "banks": max(entry["bank_of_cylinder"]),
                "bank_of_cylinder": " ".join(f"{k + 1}:{bank}" for k, bank in enumerate(entry["bank_of_cylinder"])),
                "firing_order": entry["firing_order"],
                "fitted": entry["fitted"],
                "fuel": entry["fuel"],
            }
            for name, entry in scenario["families"].items()
        ]
    )
    bays = pl.DataFrame(
        [
            {"depot": name, "bays": entry["bays"], "hours_per_day": 8.0, "days": "Mon-Fri"}
            for name, entry in scenario["depots"].items()
        ]
    )
    return {"families": families, "bays": bays}


def truth_frames(lived: Lived, constants: Constants, calendar: Calendar) -> dict[str, pl.DataFrame]:
    """What really happened in a block."""
    ids = np.array(lived.ids)
    names = np.array(defects.cause_names(constants.scenario))
    sets = np.array(lived.fault_sets, dtype=float).reshape(-1, 4)
    faults = pl.DataFrame(
        {
            "vehicle_id": ids[sets[:, 1].astype(int)],
            "set_at": at(calendar, sets[:, 0].astype(np.int64)),
            "code": np.array(constants.codes)[sets[:, 2].astype(int)],
            "ignition_hours": sets[:, 3],
        }
    ).with_columns(pl.col("set_at").dt.replace_time_zone("UTC"))
    severity = np.array(lived.severities, dtype=float).reshape(-1, 5)
    severities = pl.DataFrame(
        {
            "vehicle_id": ids[severity[:, 1].astype(int)],
            "week_end": at(calendar, severity[:, 0].astype(np.int64)),
            "cause": names[severity[:, 2].astype(int)],
            "severity": severity[:, 4].astype(np.float32),
        }
    ).with_columns(pl.col("week_end").dt.replace_time_zone("UTC"))
    who = np.concatenate([part[0] for part in lived.deviations])
    what = np.concatenate([part[1] for part in lived.deviations])
    value = np.concatenate([part[2] for part in lived.deviations])
    day = np.concatenate([np.full(len(part[0]), part[3]) for part in lived.deviations])
    deviations = pl.DataFrame(
        {
            "vehicle_id": ids[who],
            "week_end": at(calendar, day),
            "correction": np.array(c.CODES)[what],
            "deviation": value,
        }
    ).with_columns(pl.col("week_end").dt.replace_time_zone("UTC"))
    plan = (
        pl.DataFrame(lived.workshop.log.defects, infer_schema_length=None)
        if lived.workshop.log.defects
        else pl.DataFrame()
    )
    repairs = (
        pl.DataFrame(lived.workshop.log.repairs, infer_schema_length=None)
        if lived.workshop.log.repairs
        else pl.DataFrame()
    )
    return {"faults": faults, "severity": severities, "deviation": deviations, "defects": plan, "repairs": repairs}
