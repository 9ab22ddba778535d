"""A job that its own depot cannot take in time goes to another, at a cost that is said; where costs come from."""

from dataclasses import replace
from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipelines.errors import SettingError
from pipelines.settings import Settings
from pipelines.workplan.costs import CostAssumptions, costs_from, costs_text, given_in, read_costs
from pipelines.workplan.plan import plan_work

RISKY, SOUND = (0.3, 0.7, 0.95), (0.0, 0.01, 0.03)
AS_OF = datetime(2031, 6, 1, 12, tzinfo=UTC)  # a Sunday; work on the pump takes two hours
FULL = {"depot": "millrace", "bays": 0, "hours_per_day": 8.0, "days": "Mon-Fri"}
ROOM = {"depot": "saltings", "bays": 1, "hours_per_day": 8.0, "days": "Mon-Fri"}


@pytest.fixture
def made(planned):
    """Visits by vehicle and reasons of those left out, of one at a depot without a bay beside a depot with one."""

    def make(urgency="this_week", *, chances=RISKY, bays=(FULL, ROOM), decided=(), before=None, costs=None, **tables):
        published, evidence = planned({"v": chances}, bays=list(bays), **tables)
        published["vehicle_state"] = published["vehicle_state"].with_columns(urgency=pl.lit(urgency))
        if before is not None:
            published["work_plan"] = before
        rows = [{"entry_id": "0", "entered_at": AS_OF, "who": "anna", "kind": "visit", **row} for row in decided]
        evidence = replace(evidence, entries=pl.DataFrame(rows, schema=evidence.entries.schema))
        plan = plan_work(published, evidence=evidence, days=14, settings=Settings(), costs=costs or CostAssumptions())
        visits = {row["vehicle_id"]: row for row in plan.work_plan.to_dicts()}
        return visits, dict(plan.left_out.select("vehicle_id", "reason").iter_rows()), plan

    return make


def test_what_is_due_this_week_goes_where_there_is_room_with_the_cost_of_the_way(made):
    visits, _, _ = made()
    at_home, _, _ = made(bays=[{**ROOM, "depot": "millrace"}])
    assert visits["v"]["depot"] == "saltings"
    assert visits["v"]["day"] <= date(2031, 6, 6)
    way = 90 + 150 * 3 / 8  # driver and fuel, and three hours in which the vehicle stands
    assert visits["v"]["cost_now"] == pytest.approx(at_home["v"]["cost_now"] + way)
    assert (
        "millrace has no room for it in time, so it goes to saltings (1.5 h each way, 146 for it)"
        in (visits["v"]["reason"])
    )


def test_a_depot_with_room_keeps_its_own(made):
    visits, _, _ = made(bays=[{**ROOM, "depot": "millrace"}, ROOM])
    assert visits["v"]["depot"] == "millrace"


def test_what_can_wait_is_sent_away_only_where_that_pays(made):
    assert made("plan")[0]["v"]["depot"] == "saltings"
    visits, left_out, _ = made("plan", costs=CostAssumptions(transfer_cost=5000.0))
    assert visits == {}
    assert left_out["v"] == "millrace has no bay."
    assert (
        made(costs=CostAssumptions(transfer_cost=5000.0))[0]["v"]["depot"] == "saltings"
    )  # this week, whatever it costs


def test_what_must_not_be_driven_is_not_sent_away(made):
    visits, left_out, _ = made("off_road")
    assert visits == {}
    assert "must not be driven and stays parked" in left_out["v"]


def test_without_transfers_each_depot_is_alone(made):
    assert made(costs=CostAssumptions(transfers=False))[0] == {}


def test_the_way_there_and_back_lies_in_the_time_for_which_it_can_be_spared(made):
    window = {"vehicle_id": "v", "from_at": datetime(2031, 6, 3, 8, tzinfo=UTC)}
    visits, _, _ = made(availability=[{**window, "to_at": datetime(2031, 6, 3, 13, tzinfo=UTC)}])
    assert visits["v"]["start_at"] == datetime(2031, 6, 3, 9, 30, tzinfo=UTC)
    assert made(availability=[{**window, "to_at": datetime(2031, 6, 3, 12, 30, tzinfo=UTC)}])[0] == {}


def test_a_visit_that_was_accepted_at_another_depot_stays_there(made):
    _, _, first = made("plan")
    shown = first.work_plan["day"][0]
    roomy = [{**ROOM, "depot": "millrace"}, ROOM]
    visits, _, _ = made("plan", bays=roomy, before=first.work_plan, decided=[{"vehicle_id": "v", "value": "accept"}])
    assert (visits["v"]["depot"], visits["v"]["day"]) == ("saltings", shown)


def test_a_fleets_own_costs_take_the_place_of_what_is_assumed(tmp_path):
    file = tmp_path / "costs.toml"
    file.write_text(costs_text(CostAssumptions(labour_per_hour=82.5)))
    costs, given = read_costs(file)
    assert (costs.labour_per_hour, costs.bays, costs.transfers) == (82.5, 1, True)
    file.write_text("labour_per_hour = 91\ntransfers = false\n")
    costs, given = read_costs(file)
    assert (costs.labour_per_hour, costs.transfers, costs.part) == (91.0, False, 120.0)
    table = costs.as_frame(given)
    assert costs_from(table) == costs
    assert given_in(table) == {"labour_per_hour", "transfers"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("labour = 5", "labour: unknown"),
        ("labour_per_hour = -1", "labour_per_hour: -1 is not a number from 0"),
        ("strand_share = 2", "2 is not a number from 0 to 1"),
        ("bays = 1.5", "1.5 is not a whole number"),
        ("transfers = 1", "1 is not true or false"),
        ("labour_per_hour = nan", "nan is not a number"),
        ("=", "no readable TOML"),
    ],
)
def test_a_file_of_costs_that_cannot_be_right_is_refused_in_a_line(tmp_path, text, said):
    file = tmp_path / "costs.toml"
    file.write_text(text)
    with pytest.raises(SettingError, match=said) as refused:
        read_costs(file)
    assert "\n" not in str(refused.value)
