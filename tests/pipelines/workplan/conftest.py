"""A small published state of vehicles with given chances of a fault, for planning."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.handover import Evidence

AS_OF = datetime(2031, 6, 1, 12, tzinfo=UTC)  # a Sunday: the plan begins on a Monday


def frame(table: Any, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows of a contract table; columns not named are null."""
    full = [{name: row.get(name) for name in table.schema} for row in rows]
    return pl.DataFrame(full, schema=table.schema, orient="row")


def fleet(
    chances: dict[str, tuple[float, float, float]], *, urgency: str = "plan", **tables: list[dict[str, Any]]
) -> tuple[dict[str, pl.DataFrame], Evidence]:
    """Published tables and evidence of vehicles with these chances of a fault within 7, 30 and 90 days."""
    vehicles = tables.pop(
        "vehicles", [{"vehicle_id": v, "engine_family": "rowan", "depot": "millrace"} for v in chances]
    )
    published = {
        "vehicle_state": [
            {"vehicle_id": v, "state": "drifting", "urgency": urgency, "leading_correction": "trim"} for v in chances
        ],
        "fault_forecast": [
            {"vehicle_id": v, "horizon_days": days, "probability": p, "likely_code": "P0171"}
            for v, triple in chances.items()
            for days, p in zip((7, 30, 90), triple, strict=True)
        ],
        "cause_ranking": [],
        "correction_state": [],
    }
    given = {
        "corrections": [{"code": "trim", "title": "Fuel trim", "component": "pump", "fault_high": "P0171"}],
        "components": [
            {
                "component": "pump", "title": "Fuel pump", "labour_hours": 2.0, "part_cost": 100.0,
                "breakdown_cost": 1000.0, "strand_share": 0.5, "on_hand": 99, "lead_days": 0.0,
            }
        ],
        "bays": [{"depot": "millrace", "bays": 2, "hours_per_day": 8.0, "days": "Mon-Fri"}],
        "vehicles": vehicles,
        **tables,
    }  # fmt: skip
    contract = drop_tables()
    evidence = Evidence(
        as_of=AS_OF, **{name: frame(contract[name], given.get(name, [])) for name in contract if name != "readings"}
    )
    return {name: frame(published_tables()[name], rows) for name, rows in published.items()}, evidence


@pytest.fixture
def planned() -> Callable[..., tuple[dict[str, pl.DataFrame], Evidence]]:
    return fleet


@pytest.fixture
def published_rows() -> Callable[[str, list[dict[str, Any]]], pl.DataFrame]:
    """Rows of a published table by its name."""
    return lambda name, rows: frame(published_tables()[name], rows)
