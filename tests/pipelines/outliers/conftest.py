"""Made families after the stage `drift`, for the outlier stage: healthy deviations with some vehicles set apart."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Drift, Evidence, FamilyDrift, Panel

START = datetime(2031, 1, 6, 8, tzinfo=UTC)
CODES = tuple(f"{group}_{n}" for group in ("fuel", "air", "spark") for n in range(8))


def healthy(vehicles: int, weeks: int, seed: int) -> np.ndarray:
    """[vehicles, weeks, 24] deviations in sigmas; those of one group go together, and last from week to week."""
    rng = np.random.default_rng(seed)
    shared = np.repeat(rng.normal(size=(vehicles, weeks, 3)), 8, axis=2)
    own = rng.normal(size=(vehicles, weeks, 24))
    return 0.6 * (0.6 * shared + 0.8 * own)


def family_of(z: np.ndarray, name: str) -> FamilyDrift:
    vehicles, weeks, count = z.shape
    flat = z.reshape(-1, count).astype(np.float32)
    start = np.datetime64(START.replace(tzinfo=None), "us")
    times = np.tile(start + np.arange(weeks) * np.timedelta64(7, "D"), vehicles)
    rows = vehicles * weeks
    panel = Panel(
        family=name, vehicles=tuple(f"{name}-{v:03d}" for v in range(vehicles)), codes=CODES[:count],
        row_start=np.arange(vehicles + 1) * weeks, read_at=times, hours=np.zeros(rows), km=np.zeros(rows),
        depot=np.zeros(rows, np.int32), depots=("millrace",), duty=np.zeros(rows, np.int32), duties=("",),
        calibration=np.zeros(rows, np.int32),
        calibrations=("a",), values=flat, epoch=np.zeros(flat.shape, np.int32), low_limit=np.full(count, -20.0),
        high_limit=np.full(count, 20.0), neutral=np.zeros(count), resolution=np.zeros(count),
        can_fault_low=np.ones(count, bool), can_fault_high=np.ones(count, bool),
    )  # fmt: skip
    evidence = (flat / 0.6) ** 2 / 2
    return FamilyDrift(
        panel=panel, expected=np.zeros_like(flat), sigma=np.ones(count, np.float32),
        memory_days=np.full(count, 5, np.float32), scale=np.ones_like(flat),
        deviation=flat, z=flat, slope=np.zeros_like(flat),
        leeway=np.full_like(flat, 90), evidence=evidence, threshold=np.full(count, 10, np.float32),
        alarm=evidence > 10, relearning=np.zeros(flat.shape, bool),
    )  # fmt: skip


def stage_input(families: dict[str, np.ndarray]) -> tuple[Drift, Evidence]:
    made = tuple(family_of(z, name) for name, z in families.items())
    weeks = max(z.shape[1] for z in families.values())
    tables = {name: table.empty() for name, table in drop_tables().items() if name != "readings"}
    vehicles = [(vehicle, family.panel.family) for family in made for vehicle in family.panel.vehicles]
    known = pl.DataFrame(vehicles, schema=["vehicle_id", "engine_family"], orient="row")
    tables["vehicles"] = pl.concat([tables["vehicles"], known], how="diagonal")
    catalogue = pl.DataFrame({"code": CODES, "group": [code.split("_")[0] for code in CODES]})
    tables["corrections"] = pl.concat([tables["corrections"], catalogue], how="diagonal")
    as_of = START + timedelta(days=7 * (weeks - 1), hours=4)
    return Drift(families=made, correction_state=pl.DataFrame()), Evidence(as_of=as_of, **tables)


@pytest.fixture(scope="session")
def made() -> Callable[..., tuple[Drift, Evidence]]:
    return stage_input


@pytest.fixture(scope="session")
def healthy_family() -> Callable[[int, int, int], np.ndarray]:
    return healthy
