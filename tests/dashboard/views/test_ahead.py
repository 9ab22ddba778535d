from datetime import timedelta

import polars as pl
import pytest

from dashboard.views.ahead import months_ahead


@pytest.fixture
def told(reader):
    """The months ahead of vehicles whose trim meets its limit in so many days."""

    def make(days, *, planned=(), depots=(), correction="trim"):
        rows = [
            {
                "vehicle_id": vehicle, "correction": correction, "limit_at_p10": reader.as_of + timedelta(days=d / 2),
                "limit_at_p50": reader.as_of + timedelta(days=d), "limit_at_p90": None,
            }
            for vehicle, d in days.items()
        ]  # fmt: skip
        time = pl.Datetime("us", "UTC")
        state = pl.DataFrame(rows, schema_overrides={f"limit_at_p{p}": time for p in (10, 50, 90)})
        catalogue = {"code": ["trim", "load"], "title": ["Fuel trim", "Load"], "fault_low": None, "fault_high": None}
        sides = pl.DataFrame(catalogue).with_columns(
            fault_low=pl.lit(None, pl.String), fault_high=pl.Series(["P0171", None])
        )
        vehicles = pl.DataFrame({"vehicle_id": list(days), "depot": ["Saltings", *["Millrace"] * (len(days) - 1)]})
        return months_ahead(state, vehicles=vehicles, corrections=sides, planned=planned, depots=depots, reader=reader)

    return make


def test_each_vehicle_without_a_visit_stands_in_its_month_soonest_first(told, reader):
    view = told({"V1": 100, "V2": 40, "V3": 41})
    assert view.rows["vehicle_id"].to_list() == ["V2", "V3", "V1"]
    assert view.rows["likely"][0] == (reader.as_of + timedelta(days=40)).date()
    assert view.rows["latest"].null_count() == 3
    assert view.sentence.startswith("A limit is foreseen of 2\u00a0vehicles in ")
    assert "1\u00a0vehicle in August \\(Saltings\\)" in view.sentence


def test_what_is_planned_is_far_off_or_sets_no_code_is_not_told(told):
    assert told({"V1": 40}, planned=["V1"]).rows.is_empty()
    assert told({"V1": 400}).rows.is_empty()
    none = told({"V1": 40}, correction="load")
    assert (none.rows.height, none.sentence) == (0, "")
    assert told({"V1": 40, "V2": 50}, depots=["Millrace"]).rows["vehicle_id"].to_list() == ["V2"]
