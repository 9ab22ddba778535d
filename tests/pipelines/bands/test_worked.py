"""Which readings come first after work on what a correction learns of (0.3 s)."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipelines.bands.worked import worked_rows
from pipelines.catalogue.corrections import built_in_corrections
from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Evidence

DAY = datetime(2031, 1, 1, tzinfo=UTC)
CODES = ("ltft_b1_idle", "ltft_b2_idle", "iac_neutral")


@pytest.fixture
def worked():
    """Function: work rows on a vehicle read weekly, the second of two -> by correction, the rows of its readings."""

    def of(*work):
        tables = {name: table.empty() for name, table in drop_tables().items()}
        schema = tables["work"].schema
        given = pl.DataFrame(
            [{"vehicle_id": "B", "kind": "replacement", **row, "done_at": DAY + timedelta(days=row["done_at"])}
             for row in work],
            schema={name: kind for name, kind in schema.items() if name in {"vehicle_id", "kind", "done_at", *work[0]}},
        )  # fmt: skip
        tables["work"] = pl.concat([tables["work"], given], how="diagonal")
        tables["corrections"] = built_in_corrections()
        del tables["readings"]
        evidence = Evidence(as_of=DAY + timedelta(days=90), **tables)
        read_at = pl.Series([DAY + timedelta(days=7 * k) for k in range(4)] * 2, dtype=pl.Datetime("us", "UTC"))
        rows = pl.DataFrame({"vehicle_id": ["A"] * 4 + ["B"] * 4, "read_at": read_at})
        return {code: at.tolist() for code, at in worked_rows(rows, CODES, "Alder", evidence).items()}

    return of


def test_work_on_a_part_is_about_its_corrections_and_those_that_its_causes_move(worked):
    assert worked({"done_at": 8, "component": "idle_air_valve"})["iac_neutral"] == [6]
    assert "iac_neutral" in worked({"done_at": 8, "component": "throttle_body", "cause": "closed_throttle_shifted"})


def test_what_was_done_to_another_bank_or_only_looked_at_or_not_read_since_is_left_out(worked):
    injector = {"done_at": 1, "component": "injector", "bank": 2}
    assert "ltft_b2_idle" in worked(injector)
    assert "ltft_b1_idle" not in worked(injector)
    assert worked({"done_at": 8, "component": "idle_air_valve", "kind": "inspection"}) == {}
    assert worked({"done_at": 80, "component": "idle_air_valve"}) == {}
    assert worked({"done_at": 8}) == {}
