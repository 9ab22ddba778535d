from datetime import date, timedelta

import numpy as np
import pytest

from pipelines.catalogue.tables import published_tables
from pipelines.recurring.repairs import EXTRA, repair_outcomes

from .conftest import DONE_AT, ROWS, START, WORK_AT

OFF_BEFORE = np.linspace(0, 14, WORK_AT)
AFTER = ROWS - WORK_AT


def job(**columns):
    return {
        "vehicle_id": "van-00", "done_at": DONE_AT, "kind": "cleaning", "component": "throttle_body",
        "cause": "throttle_deposits", **columns,
    }  # fmt: skip


def event(code, at, **columns):
    return {"vehicle_id": "van-00", "code": code, "found_at": at, "set_at": at, "ended": "open", **columns}


def path(after):
    return np.concatenate([OFF_BEFORE, np.broadcast_to(after, AFTER)])


WEARS_OFF = 14 * np.exp(-np.arange(AFTER) / 1.5)
GROWS_AGAIN = np.linspace(0, 12, AFTER)


@pytest.mark.parametrize(
    "case",
    [
        (np.zeros(AFTER), True, "held"),
        (np.zeros(AFTER), None, "held"),
        (np.full(AFTER, 14.0), True, "came_back"),
        (GROWS_AGAIN, True, "came_back"),
        (WEARS_OFF, False, "not_reset"),
        (WEARS_OFF, True, "held"),
        (np.full(AFTER, -10.0), False, "not_reset"),
    ],
    ids=["gone", "gone-unsaid", "never-went", "grows-again", "wears-off", "wears-off-though-reset", "other-side"],
)
def test_what_is_left_of_the_departure_decides(drift, evidence, history, case):
    after, reset_done, verdict = case
    found = repair_outcomes(drift(path(after)), evidence=evidence(job(reset_done=reset_done)), history=history())
    row = found.row(0, named=True)
    assert row["verdict"] == verdict, row["evidence"]
    assert row["checked_at"] == START + timedelta(days=7 * (ROWS - 1))
    assert "15 readings, 150 ignition hours since" in row["evidence"]


def test_the_table_keeps_the_contract(drift, evidence, history):
    found = repair_outcomes(drift(path(0.0)), evidence=evidence(job()), history=history())
    contract = published_tables()["repair_outcome"].schema
    assert found.schema == {**contract, **EXTRA}
    assert repair_outcomes(drift(path(0.0)), evidence=evidence(), history=history()).is_empty()


def test_too_few_readings_do_not_decide(drift, evidence, history):
    late = START + timedelta(days=7 * (ROWS - 3) - 2)
    found = repair_outcomes(drift(path(14.0)), evidence=evidence(job(done_at=late)), history=history())
    assert found["verdict"].item() == "undecided"
    learning = drift(path(14.0), relearning_last=True)
    found = repair_outcomes(learning, evidence=evidence(job(done_at=late)), history=history())
    assert found["verdict"].item() == "relearning"


def test_work_after_the_last_reading_is_undecided(drift, evidence, history):
    known = evidence(job(done_at=START + timedelta(days=7 * ROWS - 1)))
    found = repair_outcomes(drift(path(0.0)), evidence=known, history=history()).row(0, named=True)
    assert (found["verdict"], found["evidence"]) == (
        "undecided", "No reading since the work, expected about 2030-11-10 as this vehicle is used.",
    )  # fmt: skip
    assert found["decided_at"].date() == date(2030, 11, 10)
    assert found["checked_at"] == known.as_of


def test_a_code_of_the_part_set_again_means_it_came_back_however_early(drift, evidence, history):
    again = history(event("P0506", DONE_AT + timedelta(days=3)))
    found = repair_outcomes(drift(path(0.0)), evidence=evidence(job()), history=again)
    assert found["verdict"].item() == "came_back"
    assert found["evidence"].item().startswith("Code P0506 was set again")


def test_the_code_that_a_vehicle_came_in_with_decides_even_for_another_part(drift, evidence, history):
    work = job(component="fuel_pump", cause=None, kind="replacement")
    before = event("P0300", DONE_AT - timedelta(days=5), ended="cleared", ended_at=DONE_AT)
    after = event("P0300", DONE_AT + timedelta(days=9))
    assert repair_outcomes(drift(path(0.0)), evidence=evidence(work), history=history(before, after))[
        "verdict"
    ].to_list() == ["came_back"]
    assert repair_outcomes(drift(path(0.0)), evidence=evidence(work), history=history(after))["verdict"].to_list() == [
        "held"
    ]


def test_a_foreign_code_after_the_work_is_another_matter(drift, evidence, history):
    found = repair_outcomes(
        drift(path(0.0)), evidence=evidence(job()), history=history(event("P0420", DONE_AT + timedelta(days=9)))
    )
    assert found["verdict"].item() == "held"


def test_settling_to_a_new_level_is_no_return(drift, evidence, history):
    settled = np.concatenate([np.zeros(WORK_AT), np.full(AFTER, -8.0)])
    found = repair_outcomes(drift(settled, alarm_last=True), evidence=evidence(job()), history=history())
    assert found["verdict"].item() == "held"
    strays = np.concatenate([np.zeros(WORK_AT), GROWS_AGAIN])
    found = repair_outcomes(drift(strays, alarm_last=True), evidence=evidence(job()), history=history())
    assert found["verdict"].item() == "came_back"


def test_rows_of_one_job_are_one_outcome(drift, evidence, history):
    rows = (
        job(),
        job(kind="adjustment", cause=None),
        job(kind="reset", component=None, cause=None),
        job(kind="codes_cleared", component=None, cause=None),
    )
    found = repair_outcomes(drift(path(WEARS_OFF)), evidence=evidence(*rows), history=history())
    assert found.select("component", "verdict").rows() == [("throttle_body", "held")]


def test_rows_without_a_reading_between_them_are_one_visit_dated_by_the_last(drift, evidence, history):
    later = DONE_AT + timedelta(hours=30)
    rows = (
        job(kind="inspection", cause=None, done_at=DONE_AT - timedelta(days=1)),
        job(),
        job(kind="reset", cause=None, done_at=later),
    )
    found = repair_outcomes(drift(path(WEARS_OFF)), evidence=evidence(*rows), history=history())
    assert found.select("done_at", "component", "verdict").rows() == [(later, "throttle_body", "held")]
    without_component = (*rows[:2], job(kind="reset", component=None, cause=None, done_at=later))
    found = repair_outcomes(drift(path(WEARS_OFF)), evidence=evidence(*without_component), history=history())
    assert found.select("component", "verdict").rows() == [("throttle_body", "held")]


def test_work_with_a_reading_between_is_two_visits_and_the_first_is_judged_until_the_second(drift, evidence, history):
    again = DONE_AT + timedelta(days=7 * 6)
    found = repair_outcomes(drift(path(14.0)), evidence=evidence(job(), job(done_at=again)), history=history())
    assert found["done_at"].to_list() == [DONE_AT, again]
    assert found["verdict"].to_list() == ["came_back", "came_back"]
    assert "6 readings" in found["evidence"][0]


def test_a_reset_alone_is_of_an_unspecified_component(drift, evidence, history):
    known = evidence(job(kind="reset", component=None, cause=None))
    assert repair_outcomes(drift(path(0.0)), evidence=known, history=history())["component"].to_list() == [
        "unspecified"
    ]


def test_inspections_have_no_outcome(drift, evidence, history):
    assert repair_outcomes(drift(path(0.0)), evidence=evidence(job(kind="inspection")), history=history()).is_empty()


def test_a_verdict_says_from_when_on_it_can_be_given(drift, evidence, history):
    held = repair_outcomes(drift(path(0.0)), evidence=evidence(job()), history=history()).row(0, named=True)
    assert held["decided_at"] == START + timedelta(days=7 * (WORK_AT + 3))  # four readings, ten hours apart
    late = START + timedelta(days=7 * (ROWS - 2) - 2)
    early = repair_outcomes(drift(path(0.0)), evidence=evidence(job(done_at=late)), history=history()).row(
        0, named=True
    )
    assert (early["verdict"], early["decided_at"].date()) == (
        "undecided",
        (START + timedelta(days=7 * (ROWS + 1))).date(),
    )
    assert f"expected about {early['decided_at']:%Y-%m-%d}" in early["evidence"]


def test_a_comeback_says_since_when_and_whether_inside_the_parts_warranty(drift, evidence, history):
    fitted = job(kind="replacement", part_number="TB-1", part_batch="B7", reset_done=True)
    found = repair_outcomes(drift(path(GROWS_AGAIN)), evidence=evidence(fitted), history=history()).row(0, named=True)
    assert (found["verdict"], found["part_batch"], found["in_warranty"]) == ("came_back", "B7", True)
    assert found["warranty_until"] == date(DONE_AT.year + 2, DONE_AT.month, DONE_AT.day)
    assert DONE_AT < found["back_at"] < START + timedelta(days=7 * (ROWS - 1))
    assert found["back_km"] == pytest.approx(400.0 * ((found["back_at"] - START).days // 7))
    cleaned = repair_outcomes(drift(path(GROWS_AGAIN)), evidence=evidence(job()), history=history()).row(0, named=True)
    assert (cleaned["warranty_until"], cleaned["in_warranty"]) == (None, None)


def test_the_record_of_no_reset_decides_where_the_readings_no_longer_show_it(drift, evidence, history):
    found = repair_outcomes(drift(path(0.0)), evidence=evidence(job(reset_done=False)), history=history())
    assert found["verdict"].item() == "not_reset"
    assert found["evidence"].item().startswith("By the record the learned values were not set back")


def test_the_same_part_mended_again_for_a_complaint_came_back(drift, evidence, history):
    again = job(done_at=DONE_AT + timedelta(days=42), complaint="warning lamp", cause=None)
    found = repair_outcomes(drift(path(0.0)), evidence=evidence(job(), again), history=history())
    assert found["verdict"].to_list() == ["came_back", "held"]
    assert found["back_at"][0] == again["done_at"]
    elsewhere = [job(component="injector", cause=None, cylinder=1), job(component="injector", cause=None, cylinder=2)]
    elsewhere[1] |= {"done_at": DONE_AT + timedelta(days=42), "complaint": "warning lamp"}
    found = repair_outcomes(drift(path(0.0)), evidence=evidence(*elsewhere), history=history())
    assert found["verdict"].to_list() == ["held", "held"]


def test_a_vehicle_back_with_its_complaint_for_another_part_speaks_against_the_first(drift, evidence, history):
    first = job(component="fuel_pump", cause=None, complaint="warning lamp")
    second = job(done_at=DONE_AT + timedelta(days=4), complaint="warning lamp")
    found = repair_outcomes(drift(path(0.0)), evidence=evidence(first, second), history=history())
    assert dict(found.select("component", "verdict").rows()) == {"fuel_pump": "came_back", "throttle_body": "held"}
    unasked = {**first, "complaint": None}
    found = repair_outcomes(drift(path(0.0)), evidence=evidence(unasked, second), history=history())
    assert dict(found.select("component", "verdict").rows()) == {"fuel_pump": "held", "throttle_body": "held"}
    found = repair_outcomes(
        drift(path(0.0)),
        evidence=evidence(
            job(complaint="rough idle"), {**second, "component": "fuel_pump", "done_at": DONE_AT + timedelta(days=20)}
        ),
        history=history(),
    )
    assert dict(found.select("component", "verdict").rows())["throttle_body"] == "held"  # it was seen to go away before
