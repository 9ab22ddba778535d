import datetime
from dataclasses import replace

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.catalogue.tables import published_tables
from pipelines.errors import LeewayError, SettingError
from pipelines.settings import Settings
from pipelines.workplan.plan import plan_work
from pipelines.workplan.waiting import chance_within

RISKY, SOUND = (0.3, 0.7, 0.95), (0.0, 0.01, 0.03)
MONDAY = datetime.date(2031, 6, 2)


@pytest.fixture
def plan(planned):
    def make(chances, *, days=14, **tables):
        published, evidence = planned(chances, **tables)
        return plan_work(published, evidence=evidence, days=days, settings=Settings()).work_plan

    return make


def utc(day, hour=0):
    return datetime.datetime(2031, 6, day, hour, tzinfo=datetime.UTC)


def test_a_vehicle_to_be_planned_is_planned_with_its_costs_and_chances(plan):
    told = plan({"risky": RISKY, "sound": SOUND})
    assert told["vehicle_id"].sort().to_list() == ["risky", "sound"]
    row = told.row(by_predicate=pl.col("vehicle_id") == "risky", named=True)
    assert (row["day"], row["jobs"]) == (MONDAY, "Inspect: Fuel pump")
    assert row["cost_now"] < row["cost_if_waiting"]
    assert "Chance of a fault: 70 % within 30 days" in row["reason"]
    assert f"waiting {row['cost_if_waiting']:.0f}" in row["reason"]
    sound = told.row(by_predicate=pl.col("vehicle_id") == "sound", named=True)
    assert "no day is foreseen from which it costs less than waiting" in sound["reason"]


def test_the_plan_keeps_the_contract(plan):
    assert plan({"v": RISKY}).schema == published_tables()["work_plan"].schema
    assert plan({}).schema == published_tables()["work_plan"].schema
    assert plan({}).is_empty()


def test_jobs_share_bays_without_overlap_and_within_the_hours(plan):
    told = plan({f"v{i:02d}": RISKY for i in range(40)})
    ends = told.with_columns(end=pl.col("start_at") + pl.duration(hours=pl.col("labour_hours")))
    ordered = ends.sort("depot", "bay", "start_at")
    next_start = pl.col("start_at").shift(-1).over("depot", "bay", "day")
    assert ordered.filter(pl.col("end") > next_start).is_empty()
    assert told["bay"].max() <= 2
    assert told["start_at"].dt.hour().is_between(7, 14).all()
    assert told["day"].dt.weekday().is_between(1, 5).all()
    assert told.height == 40


def test_where_the_hours_are_too_few_the_dearest_waits_are_kept_and_it_is_said(plan):
    chances = {f"v{i}": (0.1, 0.5, 0.8 + 0.02 * i) for i in range(8)}
    told = plan(chances, days=1, bays=[{"depot": "millrace", "bays": 1, "hours_per_day": 4.0, "days": "Mon-Sun"}])
    assert told["vehicle_id"].sort().to_list() == ["v6", "v7"]


def test_the_vehicle_in_more_danger_comes_first(plan):
    one_a_day = [{"depot": "millrace", "bays": 1, "hours_per_day": 2.0, "days": "Mon-Fri"}]
    told = plan({"later": (0.0, 0.5, 0.9), "sooner": (0.4, 0.5, 0.9)}, bays=one_a_day)
    assert told.sort("day")["vehicle_id"].to_list() == ["sooner", "later"]


def test_closed_days_and_weekends_stay_free(plan):
    closed = [{"depot": "millrace", "bays": 1, "hours_per_day": 8.0, "days": "Tue,Wed", "closed_on": "2031-06-03"}]
    assert plan({"v": RISKY}, bays=closed)["day"].to_list() == [datetime.date(2031, 6, 4)]


def test_a_vehicle_is_taken_only_when_it_can_be_spared(plan):
    windows = [{"vehicle_id": "v", "from_at": utc(5, 10), "to_at": utc(5, 13)}]
    told = plan({"v": RISKY}, availability=windows)
    assert told["start_at"].to_list() == [utc(5, 10)]
    assert "when the vehicle can be spared" in told["reason"][0]
    too_short = [{"vehicle_id": "v", "from_at": utc(5, 10), "to_at": utc(5, 11)}]
    assert plan({"v": RISKY}, availability=too_short).is_empty()


def test_the_later_of_two_windows_of_a_day_is_used_where_the_first_is_too_short(plan):
    windows = [
        {"vehicle_id": "v", "from_at": utc(5, 7), "to_at": utc(5, 8)},
        {"vehicle_id": "v", "from_at": utc(5, 12), "to_at": utc(5, 15)},
    ]
    assert plan({"v": RISKY}, availability=windows)["start_at"].to_list() == [utc(5, 12)]


def test_parts_on_hand_go_to_one_and_the_other_waits_for_delivery(planned):
    published, evidence = planned({"a": RISKY, "b": RISKY})
    short = evidence.components.with_columns(on_hand=pl.lit(1, dtype=pl.Int64), lead_days=pl.lit(4.0))
    told = plan_work(published, evidence=replace(evidence, components=short), days=14, settings=Settings()).work_plan
    assert sorted(told["day"].to_list()) == [MONDAY, datetime.date(2031, 6, 5)]
    assert told.sort("day")["reason"].str.contains("Uses the part on hand").to_list() == [True, False]


def test_routine_work_that_is_due_is_joined(plan):
    due = [{"vehicle_id": "v", "service": "oil service", "due_on": datetime.date(2031, 6, 10), "labour_hours": 1.5}]
    row = plan({"v": RISKY}, due=due).row(0, named=True)
    assert row["jobs"] == "Inspect: Fuel pump; Routine: oil service"
    assert row["labour_hours"] == 3.5


def test_routine_work_of_other_vehicles_keeps_its_hours(plan):
    vehicles = [{"vehicle_id": v, "engine_family": "rowan", "depot": "millrace"} for v in ("v", "other")]
    due = [{"vehicle_id": "other", "service": "oil service", "due_on": MONDAY, "labour_hours": 7.0}]
    one = [{"depot": "millrace", "bays": 1, "hours_per_day": 8.0, "days": "Mon-Fri"}]
    told = plan({"v": RISKY}, vehicles=vehicles, due=due, bays=one)
    assert told["day"].to_list() == [datetime.date(2031, 6, 3)]


def test_a_depot_without_a_row_has_an_assumed_bay_and_the_reason_says_so(plan):
    told = plan({"v": RISKY}, bays=[])
    assert "1 bay of 8 h, Mon-Fri, assumed" in told["reason"][0]


def test_a_job_longer_than_a_day_takes_the_days_it_needs(planned):
    published, evidence = planned({"v": RISKY, "w": RISKY})
    long = evidence.components.with_columns(labour_hours=pl.lit(10.0), breakdown_cost=pl.lit(9000.0))
    one = evidence.bays.with_columns(bays=pl.lit(1, dtype=pl.Int64))
    told = plan_work(
        published, evidence=replace(evidence, components=long, bays=one), days=4, settings=Settings()
    ).work_plan
    assert told["day"].to_list() == [MONDAY, datetime.date(2031, 6, 4)]


def test_a_vehicle_off_the_road_comes_before_one_that_still_runs(planned):
    published, evidence = planned({"runs": RISKY, "stands": SOUND})
    states = published["vehicle_state"].with_columns(
        urgency=pl.when(pl.col("vehicle_id") == "stands").then(pl.lit("off_road")).otherwise("urgency")
    )
    one = evidence.bays.with_columns(bays=pl.lit(1, dtype=pl.Int64), hours_per_day=pl.lit(2.0))
    told = plan_work(
        {**published, "vehicle_state": states}, evidence=replace(evidence, bays=one), days=7, settings=Settings()
    ).work_plan
    assert told.sort("day")["vehicle_id"].to_list() == ["stands", "runs"]
    assert "off the road at once" in told.sort("day")["reason"][0]


def test_a_retired_vehicle_is_never_planned(plan):
    retired = [{"vehicle_id": "v", "engine_family": "rowan", "retired_on": datetime.date(2031, 5, 1)}]
    assert plan({"v": RISKY}, vehicles=retired).is_empty()


def test_the_plan_is_the_same_whenever_it_is_made(plan):
    chances = {f"v{i:02d}": (0.1 + 0.01 * (i % 7), 0.4 + 0.02 * (i % 5), 0.9) for i in range(30)}
    assert_frame_equal(plan(chances), plan(chances), check_exact=True)


def test_bad_days_are_told_in_one_line(plan):
    with pytest.raises(SettingError, match="days of the plan: 0 is below 1"):
        plan({"v": RISKY}, days=0)
    with pytest.raises(LeewayError, match="bays, depot millrace, days: 'Workdays' names no weekdays"):
        plan({"v": RISKY}, bays=[{"depot": "millrace", "bays": 1, "hours_per_day": 8.0, "days": "Workdays"}])


def test_the_chance_between_the_horizons_meets_them_and_never_falls():
    p = (0.1, 0.3, 0.6)
    assert [chance_within(days, *p) for days in (0, 7, 30, 90)] == pytest.approx([0.0, *p])
    chances = [chance_within(days, *p) for days in range(200)]
    assert chances == sorted(chances)
    assert chances[-1] < 1.0


def test_a_vehicle_off_the_road_comes_in_at_once_whatever_its_part_and_its_windows(planned):
    later = [{"vehicle_id": "v", "from_at": utc(12, 7), "to_at": utc(12, 18)}]
    published, evidence = planned({"v": SOUND}, urgency="off_road", availability=later)
    ordered = evidence.components.with_columns(on_hand=pl.lit(0, dtype=pl.Int64), lead_days=pl.lit(9.0))
    told = plan_work(published, evidence=replace(evidence, components=ordered), days=14, settings=Settings()).work_plan
    assert told["day"].to_list() == [MONDAY]
