"""Small hand-made evidence: drop tables with only the columns that a test speaks of."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Evidence

START = datetime(2031, 1, 6, 8, tzinfo=UTC)


def day(number: float) -> datetime:
    """The time `number` days after the start."""
    return START + timedelta(days=number)


def table(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """A drop table of these rows; columns not named are null, others are kept as Float32 corrections."""
    schema = drop_tables()[name].schema
    extra = sorted({key for row in rows for key in row} - set(schema))
    full = {**schema, **dict.fromkeys(extra, pl.Float32())}
    frame = pl.DataFrame([{key: row.get(key) for key in full} for row in rows], schema=full, orient="row")
    return frame.sort(drop_tables()[name].key)


def make(as_of: datetime | None = None, **tables: list[dict[str, Any]]) -> Evidence:
    """Evidence of these tables; vehicles that are not named are of family `rowan`."""
    named = {row["vehicle_id"] for row in tables.get("vehicles", [])}
    seen = {row["vehicle_id"] for row in tables.get("snapshots", [])} - named
    vehicles = [*tables.get("vehicles", []), *({"vehicle_id": v, "engine_family": "rowan"} for v in sorted(seen))]
    newest = max((row["read_at"] for row in tables.get("snapshots", [])), default=START)
    frames = {
        name: table(name, vehicles if name == "vehicles" else tables.get(name, []))
        for name in drop_tables()
        if name != "readings"
    }
    return Evidence(as_of=as_of or newest, **frames)


@pytest.fixture
def evidence() -> Callable[..., Evidence]:
    return make
