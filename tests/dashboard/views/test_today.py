from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from dashboard.views.joined import Choice
from dashboard.views.today import FleetTables, cause_name, today

VEHICLES = pl.DataFrame(
    {
        "vehicle_id": ["V1", "V2", "V3", "V4"],
        "engine_family": ["Rowan 2.0"] * 3 + ["Alder 1.6"],
        "depot": ["Saltings", "Millrace", "Saltings", "Millrace"],
        "duty": [None] * 4,
    },
    schema_overrides={"duty": pl.String},
)


@pytest.fixture
def fleet(tables, corrections) -> FleetTables:
    names = ("vehicle_state", "correction_state", "fault_forecast", "cause_ranking")
    return FleetTables(
        **{name: tables[name] for name in names},
        vehicles=VEHICLES,
        corrections=corrections,
        cause_titles={"exhaust_leak_upstream": "Exhaust leak"},
    )


def shown(fleet, reader, promise=0.1, **picked):
    return today(fleet, choice=Choice(**picked), reader=reader, false_alarms_per_vehicle_year=promise)


def test_the_fleet_is_summed_up_in_one_sentence(fleet, reader):
    assert shown(fleet, reader).sentence.replace("\u00a0", " ") == (
        "Of 4 vehicles, 1 should be looked at this week, 1 can be planned, 1 needs nothing now "
        "and too little is known of 1."
    )


def test_the_most_urgent_stand_first_with_what_they_do_and_why(fleet, reader):
    rows = shown(fleet, reader).rows
    assert rows["vehicle_id"].to_list() == ["V1", "V2", "V3", "V4"]
    first = rows.row(0, named=True)
    assert first["urgency"] == "▲ This week"
    assert first["what"].replace("\u00a0", " ") == "climbing 0.9 % a month since 12 Mar"
    assert (first["cause"], first["chance_30"], first["likely_code"]) == ("Exhaust leak, bank 1", 0.41, "P0171")


def test_a_choice_of_depot_and_urgency_cuts_the_list(fleet, reader):
    assert shown(fleet, reader, depot=["Saltings"], urgency=["none"]).rows["vehicle_id"].to_list() == ["V3"]


def test_a_choice_that_nothing_matches_says_what_to_widen(fleet, reader):
    assert "Widen the choice" in shown(fleet, reader, engine_family=["Hawthorn"]).empty_reason
    assert "urgency picked" in shown(fleet, reader, urgency=["off_road"]).empty_reason


def test_new_alarms_say_how_many_may_be_false(fleet, reader):
    said = shown(fleet, reader).alarms.replace("\u00a0", " ")
    assert said.startswith("2 vehicles raised an alarm in the last 30 days; at most 2 % of that should be false alarms")
    assert "one false alarm in 10 years of a healthy vehicle, and there are 4 vehicles" in said
    assert "one false alarm in 2 years" in shown(fleet, reader, promise=0.5).alarms


def test_without_a_promise_on_record_nothing_is_said_of_false_alarms(fleet, reader):
    said = shown(fleet, reader, promise=None).alarms.replace("\u00a0", " ")
    assert said == "2 vehicles raised an alarm in the last 30 days."


def test_vehicles_that_stray_and_need_nothing_yet_are_not_passed_over(fleet, reader):
    resting = fleet.vehicle_state.with_columns(urgency=pl.lit("none"))
    said = shown(replace(fleet, vehicle_state=resting), reader).watched
    assert said.startswith("2 of those that need nothing now stray too")
    assert shown(fleet, reader).watched == ""


def test_vehicles_of_which_nothing_can_be_judged_yet_are_said_to_be_learned(fleet, reader):
    resting = fleet.vehicle_state.with_columns(urgency=pl.lit("none"), state=pl.lit("relearning"))
    learning = fleet.correction_state.with_columns(state=pl.lit("relearning"))
    said = shown(replace(fleet, vehicle_state=resting, correction_state=learning), reader).watched
    assert said.startswith("4 of those that need nothing now are still being learned")


def test_of_many_healthy_vehicles_the_expected_false_alarms_are_counted(tables, corrections, reader):
    """1020 vehicles at 0.1 a year: 1020 x 0.1 x 30 / 365.25 = 8.4 in thirty days, of 20 that raised one: 42 %."""
    healthy = pl.DataFrame({"vehicle_id": [f"H{n}" for n in range(1000)]})
    states = pl.concat(
        [
            tables["correction_state"],
            *(
                tables["correction_state"]
                .filter(pl.col("correction") == "ltft_b1_idle", pl.col("alarm"))
                .with_columns(vehicle_id=pl.lit(f"A{n}"), alarm_at=pl.lit(reader.as_of - timedelta(days=3)))
                for n in range(20)
            ),
        ]
    )
    fleet = FleetTables(
        vehicle_state=pl.concat([healthy, pl.DataFrame({"vehicle_id": [f"A{n}" for n in range(20)]})]).with_columns(
            urgency=pl.lit("none"),
            state=pl.lit("steady"),
            leading_correction=pl.lit(None, pl.String),
            leeway_pct=pl.lit(None, pl.Float64),
            last_read_at=pl.lit(datetime(2031, 5, 1, tzinfo=UTC)),
            days_since_read=pl.lit(1.0),
            outlier_score=pl.lit(0.1),
            is_outlier=pl.lit(False),
            open_faults=pl.lit(0),
            worked_on_at=pl.lit(None, pl.Datetime("us", "UTC")),
            urgency_reason=pl.lit(None, pl.String),
        ),
        correction_state=states,
        fault_forecast=tables["fault_forecast"],
        cause_ranking=tables["cause_ranking"],
        vehicles=VEHICLES,
        corrections=corrections,
        cause_titles={},
    )
    said = shown(fleet, reader).alarms.replace("\u00a0", " ")
    assert "20 vehicles raised an alarm" in said
    assert "at most about 8.4 of them, 42 %, should be false alarms" in said


def test_nobody_in_service_is_said_plainly(fleet, reader):
    empty = FleetTables(**{**fleet.__dict__, "vehicle_state": fleet.vehicle_state.clear()})
    view = shown(empty, reader)
    assert (view.sentence, view.rows.height) == ("No vehicle is in service.", 0)
    assert view.empty_reason.startswith("No vehicle was in service")


def test_a_cause_without_knowledge_is_named_by_its_own_word():
    assert cause_name("valve_stuck", None, 3, {}) == "Valve stuck, cylinder 3"
    assert cause_name("none_of_these", None, None, {}) == "None of the known causes"


def test_the_list_says_why_and_that_a_vehicle_was_worked_on_since_it_was_read(fleet, reader):
    worked = fleet.vehicle_state.with_columns(
        urgency_reason=pl.when(pl.col("vehicle_id") == "V1").then(pl.lit("P0171 (system too lean, bank 1) stands.")),
        worked_on_at=pl.when(pl.col("vehicle_id") == "V3").then(pl.lit(datetime(2031, 5, 19, tzinfo=UTC))),
    )
    rows = shown(replace(fleet, vehicle_state=worked), reader).rows
    why = dict(rows.select("vehicle_id", "why").iter_rows())
    assert why["V1"] == "P0171 (system too lean, bank 1) stands."
    assert why["V3"].replace("\u00a0", " ") == "Worked on 19 May, not read since."
    assert why["V2"] is None
