"""A small fleet with dirt in its records, in a store, and parts small enough that it has several."""

import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.intake.load import load
from pipelines.large_tables import select
from pipelines.parts import parting, spread
from pipelines.parts.readings import Loaded
from pipelines.parts.work import InThisProcess, Plan, analyse_in_parts
from pipelines.settings import Settings
from pipelines.store.fleet import read_fleet
from pipelines.store.folder import Store

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from drift_fleets import World, light_fleet

CELLS = 2_000  # of a part: four parts


@pytest.fixture(scope="package")
def store(tmp_path_factory) -> Store:
    """Missing and misread readings, modules that change vehicles, work, and faults too few to learn from."""
    folder = tmp_path_factory.mktemp("fleet")
    world = World(family_sizes=(40, 24, 3), corrections=4, weeks=30, resets=1.0, drifting=0.4, calibrations=2)
    evidence, draw = light_fleet(world).evidence, np.random.default_rng(5)
    rows = evidence.snapshots
    kept = rows.filter(pl.Series(draw.random(rows.height) > 0.1))
    codes = [code for code in evidence.corrections["code"] if code in kept.columns]
    spoilt = kept.with_columns(
        pl.when(pl.Series(draw.random(kept.height) > 0.02)).then(pl.col(code) + 0.0).otherwise(pl.col(code) * 9.0)
        for code in codes
    ).with_columns(module=pl.col("vehicle_id"))
    one, other = spoilt["vehicle_id"].unique().sort()[[0, 5]]
    later = pl.col("read_at") > spoilt["read_at"].min() + pl.duration(weeks=15)
    lent = spoilt.with_columns(
        module=pl.when(later & (pl.col("vehicle_id") == one)).then(pl.lit(other)).otherwise("module")
    )
    at = lent.filter(pl.Series(draw.random(lent.height) > 0.97)).select("vehicle_id", "read_at")
    work = at.sample(20, seed=1).select(
        "vehicle_id", done_at="read_at", kind=pl.lit("replacement"), component=pl.lit("idle_valve")
    )
    tables = {
        "vehicles": evidence.vehicles, "corrections": evidence.corrections, "snapshots": lent,
        "faults": at.head(3).with_columns(code=pl.lit("P0171"), confirmed=pl.lit(value=True)), "work": work,
    }  # fmt: skip
    for name, frame in tables.items():
        frame.select(column for column in frame if column.null_count() < len(column)).write_parquet(
            folder / f"{name}.parquet"
        )
    made = Store(folder / "fleet.store")
    load(made, [folder])
    return made


@pytest.fixture(scope="package")
def fleet(store):
    return read_fleet(store)


@pytest.fixture(scope="package")
def evidence(fleet):
    return fleet.evidence


@pytest.fixture(scope="package", autouse=True)
def small_parts():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parting, "LEAST_TAUGHT", 4)
        patch.setattr(parting, "LEAST_TEACHING", 4)
        patch.setattr(parting, "LEAST_SHOWN", 3)
        yield


@pytest.fixture(scope="package")
def one_worker():
    with spread.local(1, "2GiB", lambda _stage: None) as runner:
        yield runner


@pytest.fixture(scope="package")
def told() -> list[str]:
    """What `here` said as it went on."""
    return []


@pytest.fixture(scope="package")
def here(fleet, small_parts, told, tmp_path_factory):  # noqa: ARG001 (parts are small)
    """Tables of the fleet in parts, in this process."""
    plan = Plan.of(fleet.evidence, fleet.shown, Loaded(evidence=fleet.evidence), settings=Settings(), most_cells=CELLS)
    return tables_in_parts(plan, InThisProcess(told.append), tmp_path_factory.mktemp("room") / "parts")


def tables_in_parts(plan, runner, room, progress=lambda _stage: None):
    """Every table, whole."""
    analysis, _ = analyse_in_parts(plan, runner, room, progress=progress)
    return {name: select(table) for name, table in analysis.tables.items()}
