"""A small made fleet after the stage `drift`: four corrections, some of them straying to a limit that sets a fault."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.forecast.hazard import forecast_faults
from pipelines.handover import Drift, Evidence, FamilyDrift, Forecast, History, Outliers, Panel
from pipelines.settings import Settings

START = datetime(2031, 1, 6, 8, tzinfo=UTC)
CODES = ("trim_a", "trim_b", "idle_a", "idle_b")
LIMIT, SIGMA, THRESHOLD = 20.0, 1.0, 10.0


@dataclass(frozen=True, kw_only=True)
class Fleet:
    drift: Drift
    outliers: Outliers
    evidence: Evidence
    history: History
    onset: np.ndarray  # reading at which each vehicle began to stray; 10_000: never


def make_fleet(
    *,
    vehicles: int = 60,
    weeks: int = 60,
    seed: int = 1,
    straying: float = 0.4,
    sudden: float = 0.0,
    until: int | None = None,
    repairs: bool = False,
    limits: bool = True,
) -> Fleet:
    """Ramps of 2 sigma a month on one correction; a fault sets at the limit, and the repair sets all back."""
    rng = np.random.default_rng(seed)
    weeks_kept = weeks if until is None else until
    count = len(CODES)
    level = np.zeros((vehicles, weeks, count))
    noise = rng.normal(0, 0.35, (vehicles, weeks, count))
    onset = np.where(rng.random(vehicles) < straying, rng.integers(6, weeks, vehicles), 10_000)
    column = rng.integers(0, count, vehicles)
    slope = np.exp(rng.normal(0.6, 0.35, vehicles))  # sigmas a week
    repair_draw, sudden_draw = rng.random((vehicles, weeks)), rng.random((vehicles, weeks))
    faults, work = [], []
    for vehicle in range(vehicles):
        began = onset[vehicle]
        for week in range(weeks):
            reading_at = START + timedelta(days=7 * week)
            height = max(week - began, 0) * slope[vehicle]
            level[vehicle, week, column[vehicle]] = height
            if height >= LIMIT:
                faults.append((f"v{vehicle:03d}", "P0171" if column[vehicle] < 2 else "P0507", reading_at))
                work.append((f"v{vehicle:03d}", reading_at + timedelta(days=2), "replacement", "fuel_system"))
                began = 10_000
            elif repairs and height > 6 and repair_draw[vehicle, week] < 0.15:
                work.append((f"v{vehicle:03d}", reading_at + timedelta(days=2), "replacement", "fuel_system"))
                began = 10_000
            elif sudden_draw[vehicle, week] < sudden / 52:
                faults.append((f"v{vehicle:03d}", "P0335", reading_at))
    as_of = START + timedelta(days=7 * (weeks_kept - 1), hours=4)
    observed = (level + noise)[:, :weeks_kept].astype(np.float32)
    drift = Drift(
        families=(_family(observed, limits=limits),), correction_state=published_tables()["correction_state"].empty()
    )
    evidence = _evidence(as_of, vehicles, [row for row in work if row[1] <= as_of])
    return Fleet(
        drift=drift,
        outliers=Outliers(
            scores=pl.DataFrame(), reasons=pl.DataFrame(), score_rows=lambda _, rows: np.full(len(rows), 0.5)
        ),
        evidence=evidence,
        onset=onset,
        history=_history(vehicles, weeks_kept, [row for row in faults if row[2] <= as_of]),
    )


def _family(observed: np.ndarray, *, limits: bool) -> FamilyDrift:
    vehicles, weeks, count = observed.shape
    past = np.concatenate([np.repeat(observed[:, :1], 6, axis=1), observed], axis=1)
    slope = (past[:, 6:] - past[:, :-6]) / 6 * 30 / 7
    flat = observed.reshape(-1, count)
    evidence = (flat / 0.5) ** 2 / 2
    read_at = np.array(
        [np.datetime64(START.replace(tzinfo=None), "us") + np.timedelta64(7 * w, "D") for w in range(weeks)]
    )
    limit = LIMIT if limits else 1000.0
    panel = Panel(
        family="alder", vehicles=tuple(f"v{v:03d}" for v in range(vehicles)), codes=CODES,
        row_start=np.arange(vehicles + 1) * weeks, read_at=np.tile(read_at, vehicles),
        hours=np.tile(np.arange(weeks) * 10.0, vehicles), km=np.tile(np.arange(weeks) * 400.0, vehicles),
        depot=np.zeros(vehicles * weeks, np.int32), depots=("millrace",), duty=np.zeros(vehicles * weeks, np.int32),
        duties=("",),
        calibration=np.zeros(vehicles * weeks, np.int32), calibrations=("a",), values=flat,
        epoch=np.zeros(flat.shape, np.int32), low_limit=np.full(count, -limit), high_limit=np.full(count, limit),
        neutral=np.zeros(count), resolution=np.zeros(count),
        can_fault_low=np.ones(count, bool), can_fault_high=np.ones(count, bool),
    )  # fmt: skip
    return FamilyDrift(
        panel=panel, expected=np.zeros_like(flat), sigma=np.full(count, SIGMA, np.float32),
        memory_days=np.full(count, 5.0, np.float32), scale=np.ones_like(flat),
        deviation=flat, z=flat / np.float32(SIGMA),
        slope=slope.reshape(-1, count).astype(np.float32),
        leeway=np.clip(100 * (1 - np.abs(flat) / limit), 0, 100).astype(np.float32), evidence=evidence,
        threshold=np.full(count, THRESHOLD, np.float32), alarm=evidence > THRESHOLD,
        relearning=np.zeros(flat.shape, bool),
    )  # fmt: skip


def _evidence(as_of: datetime, vehicles: int, work: list[tuple[str, datetime, str, str]]) -> Evidence:
    tables = {name: table.empty() for name, table in drop_tables().items()}
    known = pl.DataFrame({"vehicle_id": [f"v{v:03d}" for v in range(vehicles)], "engine_family": "alder"})
    done = pl.DataFrame(work, schema=["vehicle_id", "done_at", "kind", "component"], orient="row")
    catalogue = pl.DataFrame(
        {
            "code": CODES, "group": ["fuel", "fuel", "air", "air"],
            "fault_high": ["P0171", "P0171", "P0507", "P0507"], "fault_low": ["P0172", "P0172", "P0506", "P0506"],
        }
    )  # fmt: skip
    tables["vehicles"] = pl.concat([tables["vehicles"], known], how="diagonal")
    if work:
        done = done.with_columns(pl.col("done_at").cast(pl.Datetime("us", "UTC")))
        tables["work"] = pl.concat([tables["work"], done], how="diagonal")
    tables["corrections"] = pl.concat([tables["corrections"], catalogue], how="diagonal")
    tables.pop("readings")
    return Evidence(as_of=as_of, **tables)


def _history(vehicles: int, weeks: int, faults: list[tuple[str, str, datetime]]) -> History:
    readings = pl.DataFrame(
        [
            (f"v{v:03d}", START + timedelta(days=7 * w), "alder", False, True)
            for v in range(vehicles)
            for w in range(weeks)
        ],
        schema={
            "vehicle_id": pl.String, "read_at": pl.Datetime("us", "UTC"), "engine_family": pl.String,
            "power_lost": pl.Boolean, "faults_known": pl.Boolean,
        },
        orient="row",
    )  # fmt: skip
    time = pl.Datetime("us", "UTC")
    events = pl.DataFrame(
        [(v, c, t, t - timedelta(days=3), t + timedelta(days=2), "repaired") for v, c, t in faults],
        schema={
            "vehicle_id": pl.String, "code": pl.String, "found_at": time, "set_at": time, "ended_at": time,
            "ended": pl.String,
        },
        orient="row",
    )  # fmt: skip
    return History(readings=readings, epochs=pl.DataFrame(), fault_events=events, notices=pl.DataFrame())


@pytest.fixture(scope="session")
def fleet_of() -> Callable[..., Fleet]:
    return make_fleet


@pytest.fixture(scope="session")
def failing_fleet() -> Fleet:
    """Enough faults to learn from."""
    return make_fleet(vehicles=150, weeks=70, straying=0.8, seed=3)


@pytest.fixture(scope="session")
def learned(failing_fleet) -> Forecast:
    """Its forecast: what takes longest in these tests, once."""
    known = {"evidence": failing_fleet.evidence, "history": failing_fleet.history}
    return forecast_faults(failing_fleet.drift, failing_fleet.outliers, **known, settings=Settings(seed=1))


@pytest.fixture(scope="session")
def faultless_fleet() -> Fleet:
    """Not one fault on record, though some are straying."""
    fleet = make_fleet(vehicles=40, weeks=30, straying=0.3, seed=5)
    return replace(fleet, history=replace(fleet.history, fault_events=fleet.history.fault_events.clear()))
