import polars as pl

from dashboard.views.plan import UNPLACED, bays_of, days_of, plan

VEHICLES = pl.DataFrame(
    {"vehicle_id": ["V1", "V2", "V3"], "depot": ["Saltings", "Millrace", "Saltings"]},
).with_columns(engine_family=pl.lit("Rowan 2.0"), duty=pl.lit("van"))


def planned(work_plan, tables, reader, depots=(), *, made=True):
    state = tables["vehicle_state"]
    return plan(work_plan, planned=made, vehicle_state=state, vehicles=VEHICLES, depots=list(depots), reader=reader)


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


def test_vehicles_that_want_work_and_got_none_are_counted_with_the_reason(work_plan, tables, reader):
    assert planned(work_plan, tables, reader).left_out == ""
    said = planned(work_plan.filter(pl.col("vehicle_id") == "V1"), tables, reader).left_out.replace("\u00a0", " ")
    assert said.startswith(
        "1 vehicle without a visit (1 at \u2018Plan it\u2019): by these figures a visit now would cost more"
    )
    assert planned(work_plan.filter(pl.col("vehicle_id") == "V1"), tables, reader, ["Saltings"]).left_out == ""


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
