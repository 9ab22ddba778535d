import datetime

from pipelines.settings import Settings
from pipelines.workplan.plan import plan_work


def test_a_vehicle_worth_the_visit_is_planned_and_one_that_is_not_is_left_out(planned):
    published, evidence = planned({"risky": (0.3, 0.7, 0.95), "sound": (0.0, 0.01, 0.03)})
    plan = plan_work(published, evidence=evidence, days=14, settings=Settings())
    assert plan["vehicle_id"].to_list() == ["risky"]
    row = plan.row(0, named=True)
    assert row["day"] == datetime.date(2031, 6, 2)
    assert row["jobs"] == "Inspect: Fuel pump"
    assert row["cost_now"] < row["cost_if_waiting"]
    assert "70 % chance of a fault within 30 days" in row["reason"]
