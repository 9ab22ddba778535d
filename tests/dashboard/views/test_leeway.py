import polars as pl
import pytest

from dashboard.views.leeway import leeway_that_counts


@pytest.fixture
def told():
    """What counts of vehicles with these leeways by correction; `load` names no code."""

    def make(leeways, *, state="steady"):
        catalogue = pl.DataFrame(
            {
                "code": ["trim", "load"], "title": ["Fuel trim", "Canister load"], "fault_low": [None, None],
                "fault_high": ["P0171", None],
            },
            schema_overrides={"fault_low": pl.String},
        )  # fmt: skip
        rows = [{"vehicle_id": "V1", "correction": c, "state": state, "leeway_pct": p} for c, p in leeways.items()]
        return leeway_that_counts(pl.DataFrame(rows), catalogue).rows()

    return make


def test_a_limit_that_sets_no_code_is_said_and_does_not_count(told):
    assert told({"trim": 90.0, "load": 4.0}) == [("V1", 90.0, "Canister load is near a limit that sets no code.")]


def test_the_nearer_limit_that_sets_a_code_is_all_that_is_said(told):
    assert told({"trim": 3.0, "load": 4.0}) == [("V1", 3.0, None)]
    assert told({"trim": 90.0, "load": 60.0}) == [("V1", 90.0, None)]


def test_where_no_correction_names_a_code_the_least_of_all_counts(told):
    assert told({"load": 40.0}) == [("V1", 40.0, None)]
    assert told({"trim": 9.0}, state="not_read") == []
