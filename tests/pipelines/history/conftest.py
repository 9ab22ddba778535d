"""Small hand-made evidence: drop tables with only the columns that a test speaks of."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Evidence

START = datetime(2031, 1, 6, 8, tzinfo=UTC)
CORRECTIONS = 8  # of the fleet with values, each five units above its neutral value
Rows = list[dict[str, Any]]


@pytest.fixture
def day() -> Callable[[float], datetime]:
    """The time so many days after the start."""
    return lambda number: START + timedelta(days=number)


def _table(name: str, rows: Rows) -> pl.DataFrame:
    schema = drop_tables()[name].schema
    extra = sorted({key for row in rows for key in row} - set(schema))
    full = {**schema, **dict.fromkeys(extra, pl.Float32())}
    frame = pl.DataFrame([[row.get(key) for key in full] for row in rows], schema=full, orient="row")
    return frame.sort(drop_tables()[name].key)


@pytest.fixture
def evidence() -> Callable[..., Evidence]:
    """Evidence of these tables' rows; vehicles that are not named are of family `rowan`."""

    def make(**tables: Rows) -> Evidence:
        snapshots = tables.get("snapshots", [])
        seen = sorted(
            {row["vehicle_id"] for row in snapshots} - {row["vehicle_id"] for row in tables.get("vehicles", [])}
        )
        vehicles = [*tables.get("vehicles", []), *({"vehicle_id": v, "engine_family": "rowan"} for v in seen)]
        frames = {
            name: _table(name, vehicles if name == "vehicles" else tables.get(name, []))
            for name in drop_tables()
            if name != "readings"
        }
        return Evidence(as_of=max((row["read_at"] for row in snapshots), default=START), **frames)

    return make


@pytest.fixture
def weekly(day: Callable[[float], datetime]) -> Callable[..., Rows]:
    """Weekly snapshots of one vehicle: a list of clock readings, and other columns as lists or constants."""

    def make(vehicle: str, hours: list[float | None], **columns: Any) -> Rows:
        def at(column: Any, index: int) -> Any:
            return column[index] if isinstance(column, list) else column

        return [
            {
                "vehicle_id": vehicle, "read_at": day(7 * week), "ignition_hours": value, "faults_read": True,
                **{name: at(column, week) for name, column in columns.items()},
            }
            for week, value in enumerate(hours)
        ]  # fmt: skip

    return make


@pytest.fixture
def catalogue() -> Rows:
    """Eight corrections, neutral at 0, 10, ... 70, quantised to 0.1; the first two of a pump, the others of a valve."""
    return [
        {"code": f"c{i}", "neutral": 10.0 * i, "resolution": 0.1, "component": "pump" if i < 2 else "valve"}
        for i in range(CORRECTIONS)
    ]


@pytest.fixture
def learned() -> Callable[..., dict[str, list[float]]]:
    """Values of the corrections by week: five above neutral but for the weeks at which they are back near it."""

    def make(weeks: int, *, seed: int, back: tuple[int, ...] = (), share: float = 0.1) -> dict[str, list[float]]:
        rng = np.random.default_rng(seed)
        level = np.full((CORRECTIONS, weeks), 5.0)
        level[:, list(back)] *= share
        values = 10.0 * np.arange(CORRECTIONS)[:, None] + level + rng.normal(0.0, 0.3, level.shape)
        return {f"c{i}": [round(float(value), 1) for value in values[i]] for i in range(CORRECTIONS)}

    return make
