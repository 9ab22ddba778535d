from datetime import date, time

import polars as pl
import pytest

from dashboard.views.bay import before_disconnecting, found
from dashboard.views.bay_forms import SignOff, TypedReading, WorkDone
from pipelines.entries.checking import refusal_of

VEHICLES = pl.DataFrame({"vehicle_id": ["7", "107", "A-12"], "vin": ["WDB9066331S123456", None, "VF1FL000066123456"]})
KNOWN = ["7", "107", "A-12"]


@pytest.mark.parametrize(
    ("asked", "meant"),
    [
        ("7", ["7"]),
        (" a-12 ", ["A-12"]),
        ("wdb9066331s123456", ["7"]),
        ("WDB 9066 331S 123456", ["7"]),
        ("31S123456", ["7"]),
        ("123456", ["7", "A-12"]),
        ("456", []),  # too little to go by
        ("999999", []),
    ],
)
def test_a_number_a_vin_or_the_end_of_one(asked, meant):
    assert found(asked, VEHICLES, KNOWN) == meant


def test_only_vehicles_of_the_state_are_found():
    assert found("VF1FL000066123456", VEHICLES, ["7"]) == []


def test_what_a_family_lost_with_the_power():
    families = pl.DataFrame({"vehicle_id": ["a", "b"], "engine_family": ["rowan", "alder"]})
    events = pl.DataFrame({"vehicle_id": ["a", "a", "b"], "ended": ["lost_with_power", "open", "lost_with_power"]})
    epochs = pl.DataFrame({"vehicle_id": ["a", "a"], "reason": ["power_loss", "power_loss"]})
    words = before_disconnecting("rowan", events, epochs, families).replace("\u00a0", " ")
    assert words.startswith(
        "Vehicles of this family lost their codes 1 time and learned values 2 times with the power."
    )
    assert before_disconnecting("rowan", pl.DataFrame(), pl.DataFrame(), families).startswith(
        "No vehicle of this family"
    )


def typed(reader, **more):
    given = {
        "vehicle_id": "7",
        "on": date(2031, 5, 20),
        "at": time(9, 30),
        "name": "Anna",
        "client_key": "k",
        "reader": reader,
    }
    return given | more


def test_what_is_typed_becomes_entries_that_the_record_takes(reader):
    forms = [
        TypedReading(**typed(reader, values={"ltft_b1_idle": 3.0, "coolant_c": None})),
        WorkDone(**typed(reader, kind="replacement", component="injector", cause="injector_restricted", cylinder=3)),
        SignOff(**typed(reader, looked=True, text="driven 20 km")),
    ]
    assert [form.problem for form in forms] == ["", "", ""]
    assert [refusal_of(form.entry("anna")) for form in forms] == [None, None, None]
    assert forms[0].entry("anna").detail == '{"read_at": "2031-05-20T09:30:00Z", "ltft_b1_idle": 3.0}'


def test_what_is_missing_is_asked_for(reader):
    assert "value" in TypedReading(**typed(reader, values={"coolant_c": None})).problem
    assert "part" in WorkDone(**typed(reader)).problem
    assert WorkDone(**typed(reader, kind="codes_cleared")).problem == ""
    assert "Tick" in SignOff(**typed(reader)).problem
    assert "name" in SignOff(**typed(reader, looked=True, name=" ")).problem
