"""Small drops and stores on disk, shared by the tests of intake and store."""

import sys
from pathlib import Path

import pytest

from pipelines.store.folder import Store

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))  # where sources and fleets are made

VEHICLES = "vehicle_id,engine_family\nv1,alder\nv2,alder\n"
SNAPSHOTS = (
    "vehicle_id,read_at,ignition_hours,odometer_km,ltft_b1_idle\n"
    "v1,2031-01-06T08:00:00Z,10,1000,1.5\n"
    "v1,2031-01-13T08:00:00Z,20,1400,2.5\n"
    "v2,2031-01-06T09:00:00Z,5,900,-0.5\n"
)


@pytest.fixture
def store(tmp_path) -> Store:
    return Store(tmp_path / "fleet.store")


@pytest.fixture
def drop(tmp_path):
    """Makes a drop folder of named files; returns its path."""

    def make(name: str = "drop", **files: str) -> Path:
        folder = tmp_path / name
        folder.mkdir(exist_ok=True)
        for table, text in files.items():
            (folder / f"{table}.csv").write_text(text, encoding="utf-8")
        return folder

    return make


@pytest.fixture
def small_drop(drop) -> Path:
    return drop(vehicles=VEHICLES, snapshots=SNAPSHOTS)
