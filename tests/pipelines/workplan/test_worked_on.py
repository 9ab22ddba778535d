"""Work, cleared codes, lost memories and signed-off checks after the newest reading: what counts, and what is said."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipelines.history.reconstruct import reconstruct
from pipelines.settings import Settings
from pipelines.workplan.plan import plan_work
from pipelines.workplan.urgency import vehicle_states

NOW = datetime(2031, 7, 4, 12, tzinfo=UTC)
READ, WORKED = NOW - timedelta(days=4), NOW - timedelta(days=2)  # 30 June, 2 July
CATALOGUE = [
    {"code": "trim", "title": "Fuel trim", "fault_high": "P0171", "component": "pump"},
    {"code": "idle", "title": "Idle air", "fault_low": "P0505", "component": "valve"},
]
PUMP = {"kind": "repair", "component": "pump"}


@pytest.fixture
def told(planned, published_rows):
    """The state of one vehicle read weekly until 30 June, and what the plan makes of it."""

    def make(
        *, corrections=(), faults=(), work=(), risk=(0.0, 0.0, 0.0), signed_at=None, clock=None, looked=True, earlier=()
    ):
        read = [READ - timedelta(days=7 * week) for week in range(4)]
        clock = clock or [30.0 * (4 - week) for week in range(4)]
        snapshots = [
            {"vehicle_id": "v", "read_at": at, "ignition_hours": hours, "faults_read": looked or week > 0}
            for week, (at, hours) in enumerate(zip(read, clock, strict=True))
        ]
        found = [
            {"vehicle_id": "v", "read_at": at, "confirmed": True, **fault}
            for at, some in ((read[0], faults), (read[1], earlier))
            for fault in some
        ]
        published, evidence = planned(
            {"v": risk},
            corrections=CATALOGUE,
            snapshots=snapshots,
            faults=found,
            work=[{"vehicle_id": "v", "done_at": WORKED, **row} for row in work],
        )
        values = evidence.snapshots.with_columns(trim=pl.lit(1.0, pl.Float32), idle=pl.lit(1.0, pl.Float32))
        entries = evidence.entries
        if signed_at is not None:
            entry = {"vehicle_id": "v", "kind": "safe", "value": "signed_off", "entered_at": signed_at}
            entries = pl.concat([entries, pl.DataFrame([entry])], how="diagonal_relaxed")
        evidence = type(evidence)(
            **{**evidence.__dict__, "as_of": NOW, "snapshots": values.sort("read_at"), "entries": entries}
        )
        history = reconstruct(evidence)
        published["correction_state"] = published_rows(
            "correction_state", [{"vehicle_id": "v", "z": 6.0, **row} for row in corrections]
        )
        scores = pl.DataFrame({"vehicle_id": ["v"], "outlier_score": [0.4], "is_outlier": [False]})
        published["vehicle_state"] = vehicle_states(
            published["correction_state"], scores, published["cause_ranking"], published["fault_forecast"],
            evidence=evidence, history=history,
        )  # fmt: skip
        published["fault_event"] = history.fault_events
        plan = plan_work(published, evidence=evidence, days=21, settings=Settings()).work_plan
        return {**published["vehicle_state"].row(0, named=True), "jobs": plan["jobs"].to_list()}

    return make


def near(code):
    return {"correction": code, "state": "drifting", "leeway_pct": 5.0, "limit_at_p50": NOW + timedelta(days=3)}


def test_what_was_repaired_since_the_reading_asks_for_a_reading_and_no_more(told):
    before = told(corrections=[near("trim")])
    assert (before["urgency"], before["worked_on_at"]) == ("this_week", None)
    assert before["urgency_reason"] == "Fuel trim meets its limit about 7 July."
    after = told(corrections=[near("trim")], work=[PUMP], risk=(0.4, 0.8, 0.95))
    assert (after["urgency"], after["worked_on_at"]) == ("plan", WORKED)
    assert after["urgency_reason"].startswith("Worked on 2 July, not read since: a reading tells")
    assert (after["state"], after["leeway_pct"]) == ("drifting", 5.0)  # that is what was read


def test_a_limit_date_that_is_past_is_not_said_as_one_to_come(told):
    met = told(corrections=[near("trim") | {"limit_at_p50": NOW - timedelta(days=4)}])
    assert met["urgency_reason"] == "Fuel trim is at its limit or about to meet it."


def test_what_another_part_shows_goes_on_counting(told):
    both = told(corrections=[near("trim"), near("idle")], work=[PUMP])
    assert both["urgency"] == "this_week"
    assert both["urgency_reason"] == "Idle air meets its limit about 7 July. Worked on 2 July, not read since."


def test_an_inspection_repairs_nothing(told):
    looked_at = told(corrections=[near("trim")], work=[{"kind": "inspection", "component": "pump"}])
    assert (looked_at["urgency"], looked_at["worked_on_at"]) == ("this_week", None)


def test_work_on_a_vehicle_that_needed_nothing_asks_for_nothing(told):
    sound = told(corrections=[{"correction": "trim", "state": "steady", "leeway_pct": 95.0}], work=[PUMP])
    assert (sound["urgency"], sound["urgency_reason"], sound["worked_on_at"]) == ("none", None, WORKED)


def test_cleared_codes_do_not_stand_but_keep_a_vehicle_off_the_road(told):
    code = {"code": "P0335", "present": True}
    assert told(faults=[code])["urgency_reason"] == (
        "P0335 (crankshaft position sensor circuit) stands: the engine may stall in traffic and not start again."
    )
    cleared = told(faults=[code], work=[{**PUMP, "codes_cleared": True}])
    assert (cleared["open_faults"], cleared["urgency"]) == (0, "off_road")
    assert "stood on 30 June and was cleared on 2 July, not read since" in cleared["urgency_reason"]
    assert "stays off the road until a reading or a signed-off check" in cleared["urgency_reason"]
    assert cleared["jobs"] == ["Read it"]


def test_a_check_signed_off_after_the_code_was_seen_lets_a_vehicle_drive(told):
    code = {"code": "P0335", "present": True}
    cleared = [{**PUMP, "codes_cleared": True}]
    assert told(faults=[code], work=cleared, signed_at=NOW - timedelta(days=1))["urgency"] == "plan"
    assert told(faults=[code], work=cleared, signed_at=READ - timedelta(days=1))["urgency"] == "off_road"


def test_a_repair_that_cleared_nothing_leaves_the_code_in_the_memory(told):
    repaired = told(faults=[{"code": "P0171"}], work=[PUMP])
    assert (repaired["open_faults"], repaired["urgency"]) == (1, "plan")
    assert repaired["urgency_reason"].startswith("Worked on 2 July, not read since")


def test_a_memory_that_was_not_read_or_was_lost_has_an_unknown_number_of_codes(told):
    not_read = told(earlier=[{"code": "P0420"}], looked=False)
    assert (not_read["open_faults"], not_read["urgency"]) == (None, "plan")
    assert "stands since 23 June, memory not read since" in not_read["urgency_reason"]
    lost = told(earlier=[{"code": "P0420"}], clock=[5.0, 90.0, 60.0, 30.0])
    assert (lost["open_faults"], lost["urgency"]) == (None, "plan")
    assert "stood on 23 June and was lost with the power, not cured" in lost["urgency_reason"]
    assert told(clock=[5.0, 90.0, 60.0, 30.0])["open_faults"] == 0  # nothing stood that could be lost
    assert told(work=[{"kind": "power_loss"}])["open_faults"] is None


def test_a_code_lost_with_the_power_keeps_a_vehicle_off_the_road(told):
    lost = told(earlier=[{"code": "P0335", "present": True}], clock=[5.0, 90.0, 60.0, 30.0])
    assert lost["urgency"] == "off_road"
    assert "lost with the power, not cured" in lost["urgency_reason"]


def test_every_vehicle_that_is_not_none_has_a_reason(told):
    made = (
        told(risk=(0.2, 0.3, 0.4)),
        told(risk=(0.0, 0.6, 0.7)),
        told(risk=(0.0, 0.05, 0.5)),
        told(faults=[{"code": "X9999"}]),
        told(corrections=[{"correction": "trim", "state": "outside", "leeway_pct": 30.0}]),
    )
    assert [row["urgency_reason"] for row in made] == [
        "Chance of a fault within 7 days: 20 %, most likely P0171 (system too lean, bank 1).",
        "Chance of a fault within 30 days: 60 %, most likely P0171 (system too lean, bank 1).",
        "Chance of a fault within 90 days: 50 %, most likely P0171 (system too lean, bank 1).",
        "X9999 stands.",
        "Fuel trim is outside its normal band with 30 % leeway left.",
    ]
    assert told()["urgency_reason"] is None
