"""A small store with published states of two dates, which nobody changes."""

from datetime import UTC, datetime

import polars as pl
import pytest

from pipelines.catalogue.tables import published_tables
from pipelines.intake.load import load
from pipelines.store.folder import Store
from pipelines.store.publish import publish_tables

FIRST, SECOND = datetime(2031, 1, 13, 12, tzinfo=UTC), datetime(2031, 1, 20, 12, tzinfo=UTC)


def states(*urgencies: str) -> pl.DataFrame:
    shape = published_tables()["vehicle_state"].schema
    rows = [{"vehicle_id": f"v{n}", "state": "steady", "urgency": each, "leeway_pct": 10.0 * n, "open_faults": n - 1}
            for n, each in enumerate(urgencies, start=1)]  # fmt: skip
    return pl.DataFrame([{name: row.get(name) for name in shape} for row in rows], schema=shape)


@pytest.fixture(scope="session")
def dates() -> tuple[datetime, datetime]:
    return FIRST, SECOND


@pytest.fixture(scope="session")
def asked_store(tmp_path_factory) -> Store:
    place = tmp_path_factory.mktemp("asked")
    (place / "drop").mkdir()
    (place / "drop" / "vehicles.csv").write_text(
        "vehicle_id,engine_family,depot\nv1,alder,Saltings\nv2,alder,Millrace\n"
    )
    (place / "drop" / "snapshots.csv").write_text("vehicle_id,read_at,ltft_b1_idle\nv1,2031-01-06T08:00:00Z,1.5\n")
    store = Store(place / "store")
    load(store, [place / "drop"])
    publish_tables(store, {"vehicle_state": states("none", "plan")}, FIRST)
    publish_tables(store, {"vehicle_state": states("this_week", "plan")}, SECOND)
    return store
