"""What a later visit is expected to cost, by hand."""

import polars as pl
import pytest

from pipelines.workplan.waiting import WAITING_COST, waiting_costs

FORECAST = pl.DataFrame(
    [("v", 7, 0.10, 0.05, 0.20), ("v", 30, 0.30, 0.20, 0.40), ("v", 90, 0.50, 0.40, 0.60)],
    schema=["vehicle_id", "horizon_days", "probability", "low", "high"],
    orient="row",
)


def jobs(**changed):
    row = {
        "vehicle_id": "v", "asks": "work", "lane": "bay", "urgency": "plan", "standing_codes": None,
        "visit_cost": 200.0, "part_price": 100.0, "found": 0.6, "cost_of_fault": 2000.0, "standing": 50.0,
    }  # fmt: skip
    return pl.DataFrame([{**row, **changed}], schema_overrides={"standing_codes": pl.String})


def test_costs_by_hand_today_and_in_a_week():
    told = waiting_costs(jobs(), FORECAST)
    assert told["days"].to_list() == list(range(0, 90, 7))
    today, week = told.row(0, named=True), told.row(1, named=True)
    # the visit, the part where the cause is found, and where it is not the risk of 90 days
    assert today["cost"] == pytest.approx(200 + 0.6 * 100 + 0.4 * 0.5 * 2000)
    assert today["low"] == pytest.approx(200 + 0.6 * 100 + 0.4 * 0.4 * 2000)
    # a fault within the week with one in ten; else the visit, and what is not found may come in the 83 days after
    assert week["cost"] == pytest.approx(0.1 * 2000 + 0.9 * (200 + 60) + 0.4 * (0.5 - 0.1) * 2000)
    assert (told["low"] <= told["cost"]).all()
    assert (told["cost"] <= told["high"]).all()


def test_waiting_costs_more_the_longer_where_the_risk_is_dear():
    told = waiting_costs(jobs(), FORECAST)
    assert told["cost"].is_sorted()


def test_off_the_road_every_day_is_paid_for():
    driven, parked = (waiting_costs(jobs(urgency=urgency), FORECAST)["cost"] for urgency in ("plan", "off_road"))
    assert (parked - driven).to_list() == pytest.approx([50.0 * days for days in range(0, 90, 7)])


@pytest.mark.parametrize("other", [{"asks": "reading"}, {"lane": "dealer"}, {"standing_codes": "P0171"}])
def test_only_own_work_without_a_standing_code_is_priced(other):
    told = waiting_costs(jobs(**other), FORECAST)
    assert told.is_empty()
    assert told.schema == WAITING_COST


def test_a_vehicle_without_a_forecast_has_no_curve():
    assert waiting_costs(jobs(), FORECAST.clear()).is_empty()
