import datetime

import polars as pl
import pytest

from pipelines.catalogue.tables import published_tables
from pipelines.history.reconstruct import reconstruct
from pipelines.workplan.rules import URGENCIES, rules
from pipelines.workplan.urgency import vehicle_states

NOW = datetime.datetime(2031, 6, 1, 12, tzinfo=datetime.UTC)


def ago(days):
    return NOW - datetime.timedelta(days=days)


@pytest.fixture
def states(planned, published_rows):
    """Vehicle states of vehicles read weekly up to `read_ago` days, with these correction states, faults and risks."""

    def make(
        corrections=(), *, risk=(0.0, 0.0, 0.0), faults=(), read_ago=1, lamp=False, causes=(), vehicle=None, coolant=()
    ):
        read = [ago(read_ago + 7 * week) for week in range(6)]
        named = {"vehicle_id": "v", "engine_family": "rowan", **(vehicle or {})}
        catalogue = [
            {"code": "trim", "fault_high": "P0171", "component": "pump"},
            {"code": "drag", "component": "engine"},
            {"code": "idle", "fault_low": "P0505", "component": "valve"},
        ]
        snapshots = [{"vehicle_id": "v", "read_at": at, "faults_read": True, "lamp_on": lamp} for at in read]
        for snapshot, degrees in zip(snapshots, coolant, strict=False):
            snapshot["coolant_c"] = degrees
        found = [{"vehicle_id": "v", "read_at": read[0], "confirmed": True, **fault} for fault in faults]
        published, evidence = planned(
            {"v": risk},
            vehicles=[named],
            corrections=catalogue,
            snapshots=snapshots if read_ago < 999 else [],
            faults=found,
        )
        state = published_rows("correction_state", [{"vehicle_id": "v", **row} for row in corrections])
        ranking = published_rows("cause_ranking", [{"vehicle_id": "v", "rank": 1, **cause} for cause in causes])
        scores = pl.DataFrame({"vehicle_id": ["v"], "outlier_score": [0.4], "is_outlier": [False]})
        told = vehicle_states(
            state, scores, ranking, published["fault_forecast"], evidence=evidence, history=reconstruct(evidence)
        )
        assert told.schema == published_tables()["vehicle_state"].schema
        return told.to_dicts()

    return make


def test_the_state_is_the_worst_and_leeway_the_least_also_towards_limits_that_set_no_code(states):
    (told,) = states([
        {"correction": "trim", "state": "drifting", "leeway_pct": 60.0, "z": 4.0},
        {"correction": "drag", "state": "outside", "leeway_pct": 5.0, "z": 9.0},
    ])  # fmt: skip
    assert (told["state"], told["leeway_pct"]) == ("outside", 5.0)
    assert told["urgency_reason"] == (
        "drag is outside its normal band with 5 % leeway left towards its limit, which sets no code."
    )


@pytest.mark.parametrize(
    ("first", "second", "leading"),
    [
        (("trim", "drifting", 4.0), ("idle", "outside", 64.0), "trim"),  # the leeway shown is the leading correction's
        (("trim", "drifting", 60.0), ("drag", "outside", 5.0), "drag"),  # its limit counts, though no code follows
        (("trim", "steady", 4.0), ("idle", "outside", 64.0), "idle"),
        (("trim", "steady", 4.0), ("idle", "not_learning", 64.0), "idle"),
    ],
)
def test_what_strays_with_the_least_leeway_leads(states, first, second, leading):
    (told,) = states(
        [
            {"correction": name, "state": state, "leeway_pct": leeway, "z": 9.0}
            for name, state, leeway in (first, second)
        ]
    )
    assert told["leading_correction"] == leading


def test_of_equal_leeway_what_strayed_further_leads_either_way(states):
    for near, far in ((5.0, 9.0), (5.0, -9.0), (-5.0, 9.0)):
        (told,) = states([
            {"correction": "idle", "state": "outside", "leeway_pct": 40.0, "z": near},
            {"correction": "trim", "state": "outside", "leeway_pct": 40.0, "z": far},
        ])  # fmt: skip
        assert told["leading_correction"] == "trim"


def test_what_was_not_read_leads_nothing(states):
    (told,) = states([{"correction": "trim", "state": "not_read", "leeway_pct": 3.0, "z": 0.0}])
    assert (told["state"], told["leeway_pct"], told["leading_correction"]) == ("not_read", None, None)


def test_a_vehicle_without_any_correction_state_is_not_read(states):
    (told,) = states()
    assert (told["state"], told["urgency"], told["open_faults"]) == ("not_read", "none", 0)
    assert told["days_since_read"] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("risk", "urgency"),
    [
        ((0.2, 0.3, 0.4), "this_week"),
        ((0.05, 0.6, 0.7), "this_week"),
        ((0.01, 0.2, 0.3), "plan"),
        ((0.0, 0.01, 0.02), "none"),
    ],
)
def test_the_chance_of_a_fault_makes_a_vehicle_urgent(states, risk, urgency):
    assert states(risk=risk)[0]["urgency"] == urgency


@pytest.mark.parametrize(("days", "urgency"), [(5, "this_week"), (60, "plan"), (200, "none")])
def test_the_date_at_which_a_limit_is_met_makes_a_vehicle_urgent(states, days, urgency):
    correction = {"correction": "trim", "state": "drifting", "leeway_pct": 80.0, "z": 5.0, "limit_at_p50": ago(-days)}
    assert states([correction])[0]["urgency"] == urgency


@pytest.mark.parametrize("days", [-3, 5])
def test_a_limit_that_sets_no_code_can_be_planned_and_does_not_hide_one_that_does(states, days):
    drag = {"correction": "drag", "state": "drifting", "leeway_pct": 80.0, "z": 5.0, "limit_at_p50": ago(-days)}
    (told,) = states([drag])
    assert told["urgency"] == "plan"
    assert "which sets no code" in told["urgency_reason"]
    (told,) = states([drag, {**drag, "correction": "trim", "limit_at_p50": ago(-6)}])
    assert told["urgency"] == "this_week"
    assert told["urgency_reason"].startswith("trim meets its limit")


def test_a_change_that_levelled_off_far_from_the_limit_is_not_urgent(states):
    far, near = ({"correction": "trim", "state": "outside", "leeway_pct": leeway, "z": 5.0} for leeway in (80.0, 30.0))
    assert states([far])[0]["urgency"] == "none"
    assert states([near])[0]["urgency"] == "plan"


@pytest.mark.parametrize(
    ("fault", "lamp", "urgency"),
    [
        ({"code": "P0302", "present": True}, True, "off_road"),
        ({"code": "P0302-00", "present": True}, True, "off_road"),
        ({"code": "P0302", "present": False}, True, "this_week"),
        ({"code": "P0302", "present": True}, False, "this_week"),
        ({"code": "P0217", "present": True}, False, "off_road"),
        ({"code": "P0335"}, False, "off_road"),
        ({"code": "P0420"}, True, "plan"),
        ({"code": "P0335", "confirmed": False, "pending": True}, False, "none"),
    ],
)
def test_codes_that_take_a_vehicle_off_the_road(states, fault, lamp, urgency):
    assert states(faults=[fault], lamp=lamp)[0]["urgency"] == urgency


def test_a_cause_can_make_a_vehicle_urgent_once_it_strays(states):
    cause = {"cause": "coolant_sensor_biased", "probability": 0.8}
    correction = {"correction": "trim", "leeway_pct": 90.0, "z": 5.0}
    assert states([{**correction, "state": "drifting"}], causes=[cause])[0]["urgency"] == "this_week"
    assert states([{**correction, "state": "steady"}], causes=[cause])[0]["urgency"] == "none"


def test_a_vehicle_not_read_for_long_is_unknown_but_stays_off_the_road(states):
    assert states(read_ago=40, risk=(0.3, 0.5, 0.9))[0]["urgency"] == "unknown"
    assert states(read_ago=999)[0]["urgency"] == "unknown"
    assert states(read_ago=40, faults=[{"code": "P0335", "present": True}])[0]["urgency"] == "off_road"


def test_open_faults_are_the_codes_at_the_newest_reading_of_the_memory(states):
    assert states(faults=[{"code": "P0420"}, {"code": "P0171"}])[0]["open_faults"] == 2
    assert states(read_ago=999)[0]["open_faults"] is None


@pytest.mark.parametrize(
    "dates",
    [{"retired_on": datetime.date(2031, 5, 1)}, {"in_service_on": datetime.date(2031, 7, 1)}],
)
def test_a_vehicle_out_of_service_has_no_state(states, dates):
    assert states(vehicle=dates) == []


def test_every_rule_says_why_and_asks_for_something():
    assert set(rules()["urgency"]) == set(URGENCIES)
    assert rules()["reason"].str.len_chars().min() >= 20
    assert rules().filter(pl.col("code").is_null() == pl.col("cause").is_null()).is_empty()
    assert set(rules()["needs"].drop_nulls().str.split("|").explode()) <= {"present", "lamp_on", "drifting", "outside"}


def test_what_was_measured_takes_a_vehicle_off_the_road_with_its_reason(states):
    told = states(read_ago=1)[0]
    assert told["urgency"] == "none"
    (told,) = states(read_ago=1, coolant=[121.0, 88.0, 88.0, 88.0])
    assert told["urgency"] == "off_road"
    assert told["urgency_reason"] == "Coolant read 121 °C, 31 May: the engine overheats."
