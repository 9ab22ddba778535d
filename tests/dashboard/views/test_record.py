"""One vehicle's record: who it is, what stands in its memory and how it was set, what was done and whether it held."""

from datetime import UTC, date, datetime

import polars as pl
import pytest

from dashboard.views.record import (
    EVENT,
    earlier_repairs,
    events_of,
    freeze_frame,
    identity,
    record_table,
    standing_codes,
)
from dashboard.views.wording import Reader

TIME = pl.Datetime("us", "UTC")


@pytest.fixture(name="reader")
def a_reader():
    return Reader(as_of=datetime(2031, 5, 20, tzinfo=UTC))


def test_a_vehicle_is_named_by_what_is_known_of_it(reader):
    clock = pl.DataFrame({"km": [81_000.0, None], "calibration": ["A", "B"], "module": ["M1", None]})
    said = identity({"vin": "0WCB00009WF000001", "warranty_until": date(2032, 1, 2), "depot": "x"}, clock, reader)
    assert said == {
        "VIN": "0WCB00009WF000001",
        "Odometer": "81,000\N{NO-BREAK SPACE}km",
        "Calibration": "B",
        "Module": "M1",
        "Warranty": "runs (until 2\N{NO-BREAK SPACE}January\N{NO-BREAK SPACE}2032)",
    }


@pytest.mark.parametrize(
    ("until", "most", "word"),
    [(date(2031, 5, 19), None, "ended"), (None, 80_000.0, "ended"), (date(2031, 5, 20), 90_000.0, "runs")],
)
def test_a_warranty_ends_with_its_day_or_its_distance_whichever_comes_first(until, most, word, reader):
    clock = pl.DataFrame({"km": [81_000.0], "calibration": ["A"], "module": ["M"]})
    said = identity({"warranty_until": until, "warranty_km": most}, clock, reader)
    assert said["Warranty"].startswith(word)


def test_codes_that_stand_are_named_with_the_conditions_under_which_they_were_set(tables, reader):
    faults = pl.DataFrame(
        {
            "code": ["P0171", "P0171"],
            "read_at": [datetime(2031, 5, 2, tzinfo=UTC), datetime(2031, 5, 9, tzinfo=UTC)],
            "occurrences": [1, 3],
            "confirmed": [True, True],
            "permanent": [False, None],
            "ff_engine_load": [50.0, 69.2],
            "ff_coolant_temp": [20.0, 83.0],
            "ff_of_our_own": [1.0, None],
        }
    )
    (row,) = standing_codes(tables["fault_event"], faults, {}, reader).to_dicts()
    assert (row["code"], row["times"], row["marks"]) == ("P0171", 3, "confirmed")
    assert row["title"] == "System too lean, bank 1"
    assert row["frame"] == "engine load 69.2\N{NO-BREAK SPACE}%, coolant 83\N{NO-BREAK SPACE}°C"


def test_a_code_that_ended_does_not_stand(tables, reader):
    ended = tables["fault_event"].with_columns(ended=pl.lit("repaired"))
    assert not standing_codes(ended, pl.DataFrame({"code": [], "read_at": []}), {}, reader).height


def test_a_freeze_frame_speaks_of_what_was_brought_in_the_readers_units(reader):
    miles = Reader(as_of=reader.as_of, fahrenheit=True)
    fault = {"code": "P0171", "ff_coolant_temp": 100.0, "ff_map": None, "ff_tank_level": 7.0}
    assert freeze_frame(fault, miles) == "coolant 212\N{NO-BREAK SPACE}°F, tank level 7"


def test_verdicts_on_a_vehicles_repairs_are_the_newest_first():
    outcome = pl.DataFrame(
        {
            "vehicle_id": ["V1", "V1", "V2"],
            "done_at": [datetime(2031, 1, 1, tzinfo=UTC), datetime(2031, 2, 1, tzinfo=UTC)] * 1
            + [datetime(2031, 3, 1, tzinfo=UTC)],
            "component": ["idle_valve", "of_our_own", "idle_valve"],
            "verdict": ["held", "came_back", "held"],
            "evidence": ["x", "y", "z"],
        }
    )
    shown = earlier_repairs("V1", outcome, {"idle_valve": "Idle air valve"})
    assert shown["part"].to_list() == ["of_our_own", "Idle air valve"]
    assert shown["verdict"].to_list() == ["■ Came back", "● Held"]


def test_events_are_joined_in_time_and_nothing_later_is_shown(tables, reader):
    work = pl.DataFrame(
        {
            "done_at": [datetime(2031, 1, 5, tzinfo=UTC), datetime(2031, 6, 1, tzinfo=UTC)],
            "kind": ["replacement", "repair"],
            "component": ["idle_valve", None],
            "cause": ["sticking", None],
            "workshop": ["Saltings", None],
            "odometer_km": [81_000, None],
            "complaint": ["stalls", None],
            "note": ["cleaned too", None],
        },
        schema_overrides={"done_at": TIME},
    )
    events = events_of(
        work=work,
        fault_events=tables["fault_event"],
        readings=tables["reading_clock"],
        names={"idle_valve": "Idle air valve"},
        until=datetime(2031, 5, 20, tzinfo=UTC),
    )
    assert events.schema == EVENT
    assert events["kind"].to_list() == ["work", "calibration", "power", "fault"]
    assert events["text"].to_list()[:2] == ["replacement: Idle air valve", "calibration B"]
    last = record_table(events, reader).row(-1, named=True)
    assert last["found"] == "sticking"
    assert (last["workshop"], last["odometer"]) == ("Saltings", "81,000\N{NO-BREAK SPACE}km")
    assert last["remark"] == "stalls; cleaned too"
