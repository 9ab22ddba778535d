"""What is flagged follows from what is stored, not from the order of drops or how rows are shared among them."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.intake.load import load
from pipelines.store.folder import Store
from pipelines.store.published import flagged

START = datetime(2031, 1, 6, tzinfo=UTC)
VEHICLES, WEEKS = 12, 16
FLAG = ["vehicle_id", "column_name", "reason", "detail"]


def fleet() -> pl.DataFrame:
    """Weekly readings in the afternoon, with one thing wrong in each of six vehicles."""
    rng = np.random.default_rng(5)
    rows = [
        {
            "vehicle_id": f"v{number:02d}",
            "read_at": START + timedelta(days=7 * week, hours=15 + round(4 * rng.random(), 1)),
            "odometer_km": 20_000.0 * (number + 1) + 400.0 * week,
            "ignition_hours": 700.0 * (number + 1) + 10.0 * week,
            "ltft_b1_idle": round(2.0 + 0.8 * rng.normal()),
        }
        for number in range(VEHICLES)
        for week in range(WEEKS)
    ]

    def at(number, week):
        return rows[number * WEEKS + week]

    at(0, 0)["ltft_b1_idle"] = -24.0
    at(1, 7)["ltft_b1_idle"] = 20.0
    for week in range(4):
        at(2, week)["odometer_km"] /= 1.609344
    for week in range(8, 12):
        at(3, week)["read_at"] -= timedelta(hours=8)
    at(4, 9)["ignition_hours"] = 0.0
    for week in range(6, 9):
        for name in ("odometer_km", "ignition_hours"):
            at(5, week)[name], at(6, week)[name] = at(6, week)[name], at(5, week)[name]
    return pl.DataFrame(rows)


def flags_of(folder, parts) -> set[tuple[str, ...]]:
    """What stands flagged after the parts were loaded one by one."""
    store = Store(folder / f"{len(list(folder.iterdir()))}.store")
    for number, part in enumerate(parts):
        drop = folder / f"{store.path.stem}-{number}"
        drop.mkdir()
        part.write_parquet(drop / "snapshots.parquet")
        vehicles = fleet().select(pl.col("vehicle_id").unique().sort(), engine_family=pl.lit("alder"))
        vehicles.write_csv(drop / "vehicles.csv")
        load(store, [drop])
    return set(flagged(store).select(FLAG).rows())


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("drops")


@pytest.fixture(scope="module")
def at_once(folder):
    return flags_of(folder, [fleet()])


def test_each_thing_that_is_wrong_is_flagged(at_once):
    found = {(vehicle, column) for vehicle, column, _, _ in at_once}
    assert found >= {
        ("v00", "ltft_b1_idle"), ("v01", "ltft_b1_idle"), ("v02", "odometer_km"), ("v03", "read_at"),
        ("v04", "ignition_hours"), ("v05", "odometer_km"), ("v06", "odometer_km"),
    }  # fmt: skip
    assert {vehicle for vehicle, _ in found} == {f"v{number:02d}" for number in range(7)}


@settings(max_examples=5)
@given(ends=st.sets(st.integers(1, WEEKS - 1), min_size=1, max_size=3), order=st.randoms(use_true_random=False))
def test_drops_by_time_in_any_order_flag_the_same(folder, at_once, ends, order):
    week = (pl.col("read_at") - START).dt.total_days() // 7
    bounds = [0, *sorted(ends), WEEKS]
    parts = [fleet().filter(week.is_between(a, b - 1)) for a, b in pairwise(bounds)]
    order.shuffle(parts)
    assert flags_of(folder, parts) == at_once


@settings(max_examples=5)
@given(seed=st.integers(0, 99))
def test_rows_shared_among_drops_by_chance_flag_the_same(folder, at_once, seed):
    which = np.random.default_rng(seed).integers(0, 3, VEHICLES * WEEKS)
    assert flags_of(folder, [fleet().filter(which == part) for part in range(3)]) == at_once


def test_a_corrected_reading_loses_its_flag(folder, at_once):
    right = fleet().filter(pl.col("vehicle_id") == "v01").with_columns(pl.col("ltft_b1_idle").clip(0, 4))
    left = flags_of(folder, [fleet(), right])
    assert {flag for flag in at_once if flag[0] != "v01"} == left
