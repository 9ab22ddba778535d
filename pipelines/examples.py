"""Example files of a newcomer's first hour: a small drop in each format, a spreadsheet that is no drop, its mapping."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from pipelines.errors import DropError

FIRST = datetime(2031, 1, 6, 7, 30, tzinfo=UTC)
WEEKS = 12
VEHICLES = ("V-1", "V-2", "V-3")
STRAYS = "V-2"  # from the fourth week on, 0.9 % a week
MAPPING = """# How vans.csv becomes readings; `leeway load vans.csv` drafts the same by itself.
table = "snapshots"

[[column]]
to = "vehicle_id"
from = "Van"

[[column]]
to = "read_at"
from = "Checked on"
form = "%d/%m/%Y"

[[column]]
to = "odometer_km"
from = "Mileage"
unit = "mile"

[[column]]
to = "ltft_b1"
from = "LTFT bank 1"
"""


def write_examples(folder: Path) -> list[tuple[Path, str]]:
    """Write the files; each with what it is.

    Raises:
        DropError: they cannot be written there.
    """
    try:
        return _written(folder)
    except OSError as error:
        raise DropError(f"{folder}: {error.strerror or error}. Name a folder that can be written.") from error


def _written(folder: Path) -> list[tuple[Path, str]]:
    drop = folder / "drop"
    drop.mkdir(parents=True, exist_ok=True)
    snapshots = _snapshots()
    vehicles = pl.DataFrame({
        "vehicle_id": VEHICLES, "engine_family": ["2.0 petrol"] * len(VEHICLES), "depot": ["North", "North", "South"],
    })  # fmt: skip
    last = snapshots.filter(pl.col("vehicle_id") == STRAYS).tail(1)
    faults = last.select("vehicle_id", "read_at", code=pl.lit("P0171"), pending=pl.lit(value=True))
    work = pl.DataFrame({
        "vehicle_id": ["V-1"], "done_at": [FIRST + timedelta(days=30)], "kind": ["cleaning"],
        "component": ["throttle_body"], "note": ["idle was rough"],
    })  # fmt: skip
    readings = snapshots.select("vehicle_id", "read_at", correction=pl.lit("stft_b1"), value=pl.col("ltft_b1") * 0)
    vehicles.write_csv(drop / "vehicles.csv")
    snapshots.write_parquet(drop / "snapshots.parquet")
    readings.write_ndjson(drop / "readings.ndjson")
    faults.with_columns(pl.col("read_at").dt.strftime("%Y-%m-%dT%H:%M:%SZ")).write_excel(drop / "faults.xlsx")
    work.write_csv(drop / "work.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")
    _spreadsheet(snapshots).write_csv(folder / "vans.csv")
    (folder / "vans.mapping.toml").write_text(MAPPING, encoding="utf-8")
    return [
        (drop / "vehicles.csv", "one row a vehicle: its number, its engine family, its depot"),
        (drop / "snapshots.parquet", "one row a reading, one column a correction; V-2 strays"),
        (drop / "readings.ndjson", "the same in long form: one row a value"),
        (drop / "faults.xlsx", "codes in the fault memory"),
        (drop / "work.csv", "what a workshop did"),
        (folder / "vans.csv", "a spreadsheet that is no drop: leeway load finds out what its columns are"),
        (folder / "vans.mapping.toml", "that written down"),
    ]


def _snapshots() -> pl.DataFrame:
    rows = [
        {
            "vehicle_id": vehicle, "read_at": FIRST + timedelta(weeks=week), "odometer_km": 40_000.0 + 350 * week,
            "coolant_c": 88.0, "faults_read": True,
            "ltft_b1": _stepped(0.8 * (number - 1) + 0.7 * ((week * 7 + number * 3) % 5 - 2) + _drift(vehicle, week)),
        }
        for number, vehicle in enumerate(VEHICLES) for week in range(WEEKS)
    ]  # fmt: skip
    return pl.DataFrame(rows)


def _drift(vehicle: str, week: int) -> float:
    return 0.9 * max(0, week - 3) if vehicle == STRAYS else 0.0


def _stepped(value: float) -> float:
    return round(value / 0.78125) * 0.78125


def _spreadsheet(snapshots: pl.DataFrame) -> pl.DataFrame:
    return snapshots.select(
        pl.col("vehicle_id").str.replace("V-", "Van 1").alias("Van"),
        pl.col("read_at").dt.strftime("%d/%m/%Y").alias("Checked on"),
        pl.format("{} mi", (pl.col("odometer_km") / 1.609344).round(0).cast(pl.Int64)).alias("Mileage"),
        pl.format("{}%", pl.col("ltft_b1").round(1)).alias("LTFT bank 1"),
    )
