"""A light fleet whose months can be spoilt: healthy readings of its own catalogue, in monthly files of a drop each."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables
from pipelines.entries.entry import Entry
from pipelines.handover import Evidence
from pipelines.held.readings import Readings
from pipelines.held.stage import DECISIONS, Withheld, withhold
from pipelines.intake.load import load
from pipelines.store.entries import append
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store

START = datetime(2030, 1, 7, 8, tzinfo=UTC)
UNITS = {"trim_1": "%", "trim_2": "%", "trim_3": "%", "trim_4": "%", "rail": "kPa", "plate": "V", "knock": "deg"}
SPANS = {"%": 25.0, "kPa": 60.0, "V": 0.4, "deg": 10.0}
CATALOGUE = pl.DataFrame({
    "code": list(UNITS), "title": list(UNITS), "unit": list(UNITS.values()), "neutral": 0.0,
    "low_limit": [-SPANS[unit] for unit in UNITS.values()], "high_limit": [SPANS[unit] for unit in UNITS.values()],
    "fault_high": "P1001", "fault_low": "P1002",
})  # fmt: skip
DEPOTS = ("Quay", "Ridge")
MONTH = "2030-04"
Spoil = Callable[[pl.DataFrame], pl.DataFrame]


def healthy(*, vehicles: int = 16, weeks: int = 27, seed: int = 1) -> pl.DataFrame:
    """Snapshots with depot beside them: weekly, with levels of their own, rounded to four digits."""
    rng = np.random.default_rng(seed)
    vehicle = np.repeat(np.arange(vehicles), weeks)
    day = np.tile(np.arange(weeks) * 7.0, vehicles) + rng.uniform(0, 2, vehicles * weeks)
    columns = {
        "vehicle_id": [f"v{v:03d}" for v in vehicle],
        "read_at": [START + timedelta(days=float(d)) for d in day],
        "depot": [DEPOTS[v % 2] for v in vehicle],
        "reader": [f"reader-{v % 3}" for v in vehicle],
        "ignition_hours": (100.0 * (vehicle + 1) + 2 * day).round(1),
        "odometer_km": (5_000.0 * (vehicle + 1) + 60 * day).round(0),
        "ambient_c": (12 - 10 * np.cos(day / 58) + rng.normal(0, 3, len(day))).round(1),
        "baro_kpa": (100 + rng.normal(0, 1, len(day))).round(1),
    }
    for code, unit in UNITS.items():
        level = rng.normal(0.1, 0.12, vehicles)[vehicle] * SPANS[unit]
        columns[code] = (level + rng.normal(0, 0.02, len(day)) * SPANS[unit]).round(4)
    return pl.DataFrame(columns).with_columns(pl.col("read_at").dt.truncate("1m"))


@dataclass
class Fleet:
    """A store that was handed a fleet's months."""

    folder: Path
    made: int = field(default=0)

    def store(self, snapshots: pl.DataFrame, *, work: pl.DataFrame | None = None) -> Store:
        """A store with these snapshots, a drop a month."""
        self.made += 1
        drops = self.folder / f"drops-{self.made}"
        first = drops / "2030-00"
        first.mkdir(parents=True)
        vehicles = snapshots.select("vehicle_id", "depot").unique().sort("vehicle_id")
        vehicles.with_columns(engine_family=pl.lit("alder")).write_csv(first / "vehicles.csv")
        CATALOGUE.write_csv(first / "corrections.csv")
        if work is not None:
            work.write_csv(first / "work.csv")
        for (month,), rows in snapshots.with_columns(month=pl.col("read_at").dt.strftime("%Y-%m")).group_by("month"):
            (drops / str(month)).mkdir()
            rows.drop("month", "depot").write_csv(drops / str(month) / f"snapshots-{month}.csv")
        store = Store(self.folder / f"store-{self.made}")
        load(store, sorted(drops.iterdir()))
        return store


def judged(snapshots: pl.DataFrame, *, work: pl.DataFrame | None = None, step: float | None = None) -> Withheld:
    """What the stage makes of the same months, without a store: a second less a test; `step` of the corrections."""
    month = pl.col("read_at").dt.strftime("%Y%m").cast(pl.Int32)
    typed = snapshots.drop("depot").with_columns(pl.col(list(UNITS)).cast(pl.Float32), load_id=month)
    every = pl.concat([drop_tables()["snapshots"].empty(), typed], how="diagonal_relaxed")
    vehicles = snapshots.select("vehicle_id", "depot").unique().with_columns(engine_family=pl.lit("alder"))
    readings = Readings(
        frame=every.sort("vehicle_id", "read_at").with_columns(readings_load_id=pl.lit(None, pl.Int32)),
        vehicles=vehicles, catalogue=CATALOGUE.with_columns(resolution=pl.lit(step, pl.Float64)),
    )  # fmt: skip
    loads = typed.select("load_id", drop_name=pl.col("read_at").dt.strftime("%Y-%m")).unique()
    file = pl.format("snapshots-{}.csv", "drop_name")
    tables = {name: drop_tables()[name].empty() for name in ("faults", "work")}
    done = tables["work"] if work is None else pl.concat([tables["work"], work], how="diagonal_relaxed")
    return withhold(
        readings, tables["faults"], done, loads=loads.with_columns(file=file, content_hash=file),
        decisions=DECISIONS.to_frame(),
    )  # fmt: skip


@pytest.fixture
def fleet(tmp_path) -> Fleet:
    return Fleet(tmp_path)


def in_month(*columns: str, depot: str | None = "Quay", rows: pl.Expr | None = None) -> Callable[[Spoil], Spoil]:
    """Where a spoiler works: some columns of a depot's rows in `MONTH`."""
    where = pl.col("read_at").dt.strftime("%Y-%m") == MONTH
    where &= pl.lit(value=True) if depot is None else pl.col("depot") == depot
    where &= pl.lit(value=True) if rows is None else rows

    def spoiler(change: Callable[[pl.Expr], pl.Expr]) -> Spoil:
        return lambda frame: frame.with_columns(
            pl.when(where).then(change(pl.col(name))).otherwise(name).alias(name) for name in columns
        )

    return spoiler


def decide(store: Store, decision: str, batch_id: str) -> str:
    """Enter a decision; its entry_id."""
    return str(append(store, [Entry(kind="held", who="tester", subject=batch_id, value=decision)])[0].entry_id)


def batches(evidence: Evidence | Withheld) -> list[tuple[str, str, str, int]]:
    """File, depot, what it looks like and vehicles of each batch that waits for a decision."""
    waiting = evidence.held.batches.filter(pl.col("decision") == "open").sort("to_at", "depot", "looks_like")
    return waiting.select("file", "depot", "looks_like", "vehicles").rows()


def evidence_of(store: Store, **how: object) -> Evidence:
    return read_evidence(store, **how)  # type: ignore[arg-type]
