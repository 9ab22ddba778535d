import polars as pl

from dashboard.views.plan import UNPLACED, bays_of, days_of, plan
from pipelines.catalogue.tables import published_tables

NOBODY = pl.DataFrame(schema={"vehicle_id": pl.String, "decision": pl.String, "value": pl.String})


def left(*rows):
    return pl.DataFrame(rows, schema=published_tables()["plan_left_out"].schema)


def planned(work_plan, tables, reader, depots=(), *, made=True, left_out=None, decided=NOBODY):
    return plan(
        work_plan,
        planned=made,
        left_out=left() if left_out is None else left_out,
        decided=decided,
        vehicle_state=tables["vehicle_state"],
        depots=list(depots),
        reader=reader,
    )


def test_the_plan_is_summed_up_with_hours_days_and_what_it_saves(work_plan, tables, reader):
    said = planned(work_plan, tables, reader).sentence.replace("\u00a0", " ")
    assert said == "2 vehicles, 2 hours of work from 22 May to 26 May; expected to save 300 against waiting."


def test_a_depot_sees_its_own_work(work_plan, tables, reader):
    view = planned(work_plan, tables, reader, ["Millrace"])
    assert view.rows["vehicle_id"].to_list() == ["V2"]
    assert view.load.select("depot", "labour_hours").rows() == [("Millrace", 0.5)]


def test_cards_stand_by_day_and_bay(work_plan, tables, reader):
    rows = planned(work_plan, tables, reader).rows
    assert days_of(rows) == ["2031-05-22", "2031-05-26"]
    ((bay, cards),) = bays_of(rows, "2031-05-22")
    assert bay == "Saltings, bay 1"
    assert "**V1**" in cards[0]
    assert "Check exhaust upstream" in cards[0]


def test_vehicles_without_a_visit_are_counted_and_stand_with_the_reason(work_plan, tables, reader):
    assert planned(work_plan, tables, reader).left_out == ""
    out = left({"vehicle_id": "V2", "depot": "Millrace", "reason": "2 jobs do not fit: 3 hours missing at Millrace."})
    view = planned(work_plan.filter(pl.col("vehicle_id") == "V1"), tables, reader, left_out=out)
    assert view.left_out.replace("\u00a0", " ").startswith("1 vehicle without a visit (1 at \u2018Plan it\u2019)")
    assert view.waiting["reason"].to_list() == ["2 jobs do not fit: 3 hours missing at Millrace."]
    assert view.binding == []
    assert set(view.vehicles) == {"V1", "V2"}
    assert planned(work_plan, tables, reader, ["Saltings"], left_out=out).waiting.height == 0


def test_what_binds_and_has_no_visit_in_time_stands_first_with_who_and_why(work_plan, tables, reader):
    out = left({"vehicle_id": "V1", "reason": "Due this week and not planned: It can only be spared on 30 May."})
    view = planned(work_plan.filter(pl.col("vehicle_id") == "V2"), tables, reader, left_out=out)
    assert view.binding == ["V1: Due this week and not planned: It can only be spared on 30 May."]
    parked = tables["vehicle_state"].with_columns(urgency=pl.lit("off_road"))
    view = planned(work_plan, {**tables, "vehicle_state": parked}, reader)
    assert [said.replace("\u00a0", " ")[:62] for said in view.binding] == [
        "V1 must not be driven and stays parked until 22 May: P0171 lik",
        "V2 must not be driven and stays parked until 26 May: The old v",
    ]


def test_what_people_decided_stands_beside_the_visit(work_plan, tables, reader):
    said = pl.DataFrame({"vehicle_id": ["V2"], "decision": ["Pinned to 26 May"], "value": ["pin"]})
    rows = planned(work_plan, tables, reader, decided=said).rows
    assert dict(rows.select("vehicle_id", "decision").iter_rows()) == {"V1": None, "V2": "Pinned to 26 May"}


def test_who_is_in_the_workshop_alarms_nobody(work_plan, tables, reader):
    out = left({"vehicle_id": "V1", "reason": "In the workshop since 19 May."})
    started = pl.DataFrame({"vehicle_id": ["V1"], "decision": ["It is in the workshop"], "value": ["start"]})
    view = planned(work_plan.filter(pl.col("vehicle_id") == "V2"), tables, reader, left_out=out, decided=started)
    assert view.binding == []
    assert view.waiting["decision"].to_list() == ["It is in the workshop"]


def test_work_without_a_day_is_not_lost(work_plan, tables, reader):
    rows = planned(work_plan.with_columns(day=pl.lit(None, pl.Date)), tables, reader).rows
    assert days_of(rows) == [UNPLACED]
    assert sum(len(cards) for _, cards in bays_of(rows, UNPLACED)) == 2


def test_no_plan_says_how_to_make_one(work_plan, tables, reader):
    view = planned(work_plan.clear(), tables, reader, made=False)
    assert "leeway plan" in view.empty_reason
    assert view.sentence == "No plan was made for this state yet."


def test_a_plan_without_work_is_a_plan(work_plan, tables, reader):
    view = planned(work_plan.clear(), tables, reader)
    assert view.sentence == "There is no work to plan."
    assert view.empty_reason.startswith("The plan was made")
