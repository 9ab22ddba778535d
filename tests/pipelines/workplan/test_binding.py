"""What binds a plan, by known answers: urgency, people's decisions, hours that are missing, days that pay, warranty."""

from dataclasses import replace
from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipelines.settings import Settings
from pipelines.workplan.plan import plan_work

RISKY, SOUND = (0.3, 0.7, 0.95), (0.0, 0.01, 0.03)
ONE_BAY = [{"depot": "millrace", "bays": 1, "hours_per_day": 2.0, "days": "Mon-Fri"}]
AS_OF = datetime(2031, 6, 1, 12, tzinfo=UTC)  # a Sunday; work on the pump takes two hours


def utc(day, hour=0):
    return datetime(2031, 6, day, hour, tzinfo=UTC)


@pytest.fixture
def made(planned):
    """The plan of vehicles with these urgencies: rows by vehicle, and reasons of those left out."""

    def make(urgencies, *, chances=RISKY, decided=(), days=14, state=(), before=None, **tables):
        published, evidence = planned(dict.fromkeys(urgencies, chances), **tables)
        states = published["vehicle_state"].with_columns(
            urgency=pl.col("vehicle_id").replace_strict(urgencies, return_dtype=pl.String)
        )
        published = {**published, "vehicle_state": states, **dict(state)}
        if before is not None:
            published["work_plan"] = before
        rows = [
            {"entry_id": f"{n}", "entered_at": AS_OF, "who": "dispatcher", "kind": "visit", **row}
            for n, row in enumerate(decided)
        ]
        evidence = replace(evidence, entries=pl.DataFrame(rows, schema=evidence.entries.schema))
        plan = plan_work(published, evidence=evidence, days=days, settings=Settings())
        visits = {row["vehicle_id"]: row for row in plan.work_plan.to_dicts()}
        return visits, dict(plan.left_out.select("vehicle_id", "reason").iter_rows()), plan

    return make


def test_what_is_due_this_week_comes_before_dearer_work_that_can_wait(made):
    urgencies = {**{f"dear{n}": "plan" for n in range(9)}, "week": "this_week"}
    visits, left_out, _ = made(urgencies, bays=ONE_BAY, days=7)
    assert visits["week"]["day"] <= date(2031, 6, 6)
    assert left_out["dear8"] == "5 jobs do not fit: 10 hours missing at millrace."


def test_what_is_due_this_week_and_cannot_be_spared_is_left_out_with_the_day_and_the_way_out(made):
    windows = [{"vehicle_id": "v", "from_at": utc(12, 8), "to_at": utc(12, 16)}]
    visits, left_out, _ = made({"v": "this_week"}, availability=windows)
    assert visits == {}
    assert left_out["v"].startswith(
        "Due this week and not planned: It can only be spared on 12 June: swap, or park it."
    )


def test_too_many_for_the_week_say_how_many_hours_are_missing(made):
    _, left_out, _ = made({f"v{n}": "this_week" for n in range(7)}, bays=ONE_BAY)
    assert len(left_out) == 2
    assert all(
        "2 jobs do not fit within seven days: 4 hours missing at millrace." in said for said in left_out.values()
    )


def test_a_vehicle_off_the_road_has_the_hours_left_of_today(planned):
    published, evidence = planned({"v": RISKY})
    states = published["vehicle_state"].with_columns(urgency=pl.lit("off_road"))
    plan = plan_work(
        {**published, "vehicle_state": states}, evidence=replace(evidence, as_of=utc(2, 9)), days=7, settings=Settings()
    )
    assert plan.work_plan["start_at"].to_list() == [utc(2, 9)]
    late = plan_work(
        {**published, "vehicle_state": states},
        evidence=replace(evidence, as_of=utc(2, 14)),
        days=7,
        settings=Settings(),
    )
    assert late.work_plan["start_at"].to_list() == [utc(3, 7)]
    assert "stays parked until then" in late.work_plan["reason"][0]


def test_what_pays_only_later_is_said_with_the_day_from_which_it_pays(published_rows, made):
    limit = {"vehicle_id": "v", "correction": "trim", "state": "drifting"}
    at = {"limit_at_p10": datetime(2031, 11, 1, tzinfo=UTC), "limit_at_p50": datetime(2031, 12, 20, tzinfo=UTC)}
    state = {"correction_state": published_rows("correction_state", [{**limit, **at}])}
    visits, left_out, _ = made({"v": "plan"}, chances=SOUND, state=state)
    assert visits == {}
    assert left_out["v"].startswith("A visit pays from ")
    assert left_out["v"].endswith("on: until then waiting is expected to cost less.")


def test_a_reading_is_what_a_vehicle_unread_for_long_is_called_in_for(made):
    visits, _, _ = made({"v": "unknown"}, chances=SOUND)
    assert (visits["v"]["jobs"], visits["v"]["labour_hours"]) == ("Read it", 0.3)


def test_work_under_warranty_goes_to_the_dealer_at_no_own_cost_and_takes_no_bay(made):
    vehicles = [
        {"vehicle_id": v, "engine_family": "rowan", "depot": "millrace", "warranty_until": until}
        for v, until in (("new", date(2032, 1, 1)), ("old", date(2031, 1, 1)))
    ]
    visits, _, _ = made({"new": "plan", "old": "plan"}, vehicles=vehicles)
    assert (visits["new"]["bay"], visits["new"]["cost_now"], visits["old"]["bay"]) == (None, 0.0, 1)
    assert visits["new"]["jobs"] == "Dealer, under warranty: Inspect: Fuel pump"


def test_a_visit_that_was_accepted_is_not_moved(made):
    visits, _, first = made({"a": "plan"}, bays=ONE_BAY)
    assert visits["a"]["day"] == date(2031, 6, 2)
    accepted = [{"vehicle_id": "a", "value": "accept"}]  # the day of the plan shown
    crowd = {"a": "plan", "b": "this_week", "c": "this_week"}
    visits, _, _ = made(crowd, bays=ONE_BAY, decided=accepted, before=first.work_plan)
    assert visits["a"]["day"] == date(2031, 6, 2)
    assert "Accepted for this day by dispatcher." in visits["a"]["reason"]
    pinned = [{"vehicle_id": "a", "value": "pin", "until": date(2031, 6, 10)}]
    assert made(crowd, bays=ONE_BAY, decided=pinned)[0]["a"]["day"] == date(2031, 6, 10)


@pytest.mark.parametrize(
    ("value", "until", "said"),
    [
        ("put_off", date(2031, 8, 1), "Put off until 1 August by dispatcher: sold soon."),
        ("dismiss", None, "Dismissed on 1 June by dispatcher: sold soon."),
        ("exclude", None, "Kept out of the plan since 1 June by dispatcher: sold soon."),
        ("start", None, "In the workshop since 1 June."),
    ],
)
def test_what_people_take_off_the_plan_stays_off_it_with_their_reason(made, value, until, said):
    decision = {"vehicle_id": "v", "value": value, "until": until, "detail": '{"text": "sold soon"}'}
    visits, left_out, _ = made({"v": "plan"}, decided=[decision])
    assert (visits, left_out) == ({}, {"v": said})


def test_nobody_dismisses_what_must_not_be_driven(made):
    visits, _, _ = made({"v": "off_road"}, decided=[{"vehicle_id": "v", "value": "dismiss"}])
    assert set(visits) == {"v"}


def test_a_visit_put_off_within_the_plan_comes_after_that_day(made):
    later = {"vehicle_id": "v", "value": "put_off", "until": date(2031, 6, 6)}
    assert made({"v": "plan"}, decided=[later])[0]["v"]["day"] == date(2031, 6, 6)
