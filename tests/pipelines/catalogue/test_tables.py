"""The contract's tables as data."""

import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables, published_tables


def test_every_table_of_the_contract_is_described():
    assert list(drop_tables()) == [
        "vehicles", "families", "snapshots", "readings", "faults", "work", "corrections", "components", "calibrations",
        "bays", "availability", "due", "notes",
    ]  # fmt: skip
    assert list(published_tables()) == [
        "correction_state", "vehicle_state", "outlier_reason", "fault_forecast", "cause_ranking", "recurring_issue",
        "repair_outcome", "work_plan", "plan_left_out", "forecast_check", "held_reading", "next_check",
    ]  # fmt: skip


@pytest.mark.parametrize("table", [*drop_tables().values(), *published_tables().values()], ids=lambda table: table.name)
def test_every_table_has_a_key_and_no_column_twice(table):
    assert table.key
    assert len(table.schema) == len(table.columns)


def test_an_empty_table_has_the_contracts_columns_and_types():
    assert drop_tables()["notes"].empty().schema == {
        "at": pl.Datetime("us", "UTC"),
        "about": pl.String,
        "text": pl.String,
    }


def test_the_fault_memory_key_and_ranges_are_read():
    faults = drop_tables()["faults"]
    assert faults.key == ["vehicle_id", "read_at", "code"]
    hours = next(column for column in faults.columns if column.name == "ignition_hours")
    assert (hours.unit, hours.low, hours.high, hours.usual_high) == ("h", 0.0, 200_000.0, 50_000.0)
