import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.views.plan import UNPLACED, bays_of, days_of, plan, safe_for_sheets


def test_the_plan_is_summed_up_with_hours_days_and_what_it_saves(work_plan, reader):
    said = plan(work_plan, depots=[], reader=reader).sentence.replace("\u00a0", " ")
    assert said == "2 vehicles, 2 hours of work from 22 May to 26 May; expected to save 300 against waiting."


def test_a_depot_sees_its_own_work(work_plan, reader):
    view = plan(work_plan, depots=["Millrace"], reader=reader)
    assert view.rows["vehicle_id"].to_list() == ["V2"]
    assert view.load.select("depot", "labour_hours").rows() == [("Millrace", 0.5)]


def test_cards_stand_by_day_and_bay(work_plan, reader):
    rows = plan(work_plan, depots=[], reader=reader).rows
    assert days_of(rows) == ["2031-05-22", "2031-05-26"]
    ((bay, cards),) = bays_of(rows, "2031-05-22")
    assert bay == "Saltings, bay 1"
    assert "**V1**" in cards[0]
    assert "Check exhaust upstream" in cards[0]


def test_work_without_a_day_is_not_lost(work_plan, reader):
    rows = plan(work_plan.with_columns(day=pl.lit(None, pl.Date)), depots=[], reader=reader).rows
    assert days_of(rows) == [UNPLACED]
    assert sum(len(cards) for _, cards in bays_of(rows, UNPLACED)) == 2


def test_no_plan_says_how_to_make_one(work_plan, reader):
    view = plan(work_plan.clear(), depots=[], reader=reader)
    assert "leeway plan" in view.empty_reason
    assert view.sentence == "There is no work to plan."


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@a", "|a", "%a", "\tx", "\rx", "  =1", "\uff1d1"])
def test_text_that_a_spreadsheet_would_run_is_held_back(text):
    assert safe_for_sheets(pl.DataFrame({"jobs": [text]}))["jobs"][0] == f"'{text}"


@given(st.text(alphabet=st.characters(categories=["L", "N"])))
def test_other_text_and_numbers_are_left_alone(text):
    frame = pl.DataFrame({"jobs": [text], "hours": [-1.5]})
    assert safe_for_sheets(frame).equals(frame)
