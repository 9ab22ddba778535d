import json
from datetime import date

import polars as pl
import pytest

from dashboard.views.deciding import ANSWERS, Visit, decided_in, to_decide
from pipelines.entries.checking import refusal_of


@pytest.fixture
def typed(reader):
    def make(**words):
        given = {
            "vehicle_id": "V1", "value": "accept", "on": date(2031, 5, 22), "text": "", "work": "repair",
            "component": "", "name": "Anna", "client_key": "k", "reader": reader,
        }  # fmt: skip
        return Visit(**{**given, **words})

    return make


@pytest.mark.parametrize("value", list(ANSWERS))
def test_every_answer_becomes_an_entry_that_is_taken(typed, value):
    entry = typed(value=value, text="as found").entry("p-1")
    assert refusal_of(entry) is None
    assert (entry.kind, entry.value) == ("safe" if value == "signed_off" else "visit", value)


def test_a_day_is_entered_where_the_answer_names_one(typed):
    assert typed(value="pin").entry("p").until == date(2031, 5, 22)
    assert typed(value="dismiss", text="sold").entry("p").until is None


def test_what_was_done_is_a_row_of_work(typed):
    entry = typed(value="done", component="fuel_pump", text="worn").entry("p")
    assert json.loads(entry.detail) == {
        "kind": "repair", "done_at": "2031-05-22T12:00:00Z", "component": "fuel_pump", "note": "worn",
    }  # fmt: skip


def test_a_dismissal_without_a_reason_and_a_nameless_decision_are_asked_back(typed):
    assert typed(value="dismiss").problem.startswith("Say why")
    assert typed(name=" ").problem.startswith("Say who")
    assert typed().problem == ""


@pytest.fixture
def table():
    visits = pl.DataFrame(
        [
            {"vehicle_id": v, "day": date(2031, 5, 22), "depot": "Saltings", "jobs": "Inspect: Fuel pump"}
            for v in ("V1", "=V2", "V3")
        ]
    )
    waiting = pl.DataFrame([{"vehicle_id": "V4", "depot": "Saltings", "reason": "No room.", "labour_hours": 1.0}])
    return to_decide(visits, waiting)


def decided(table, reader, **cells):
    """What comes of a table in whose rows these cells were typed, by vehicle."""
    changes = [
        pl.Series(name, [cells.get(v, {}).get(name) for v in table["vehicle_id"]], dtype=table.schema[name])
        for name in ("decision", "on", "text", "work", "component")
    ]
    typed = table.with_columns(changes).with_columns(vehicle_id=pl.lit("'") + pl.col("vehicle_id"))  # as cells show it
    return decided_in(typed, table, name="Anna", client_key="k", reader=reader)


def test_several_visits_are_decided_in_a_table_and_other_rows_stay(table, reader):
    day = date(2031, 6, 3)
    visits, problems = decided(
        table, reader, **{
            "V1": {"decision": ANSWERS["accept"]},
            "=V2": {"decision": ANSWERS["done"], "work": "replacement", "component": "fuel_pump", "on": day},
            "V4": {"decision": ANSWERS["pin"], "on": day},
        }
    )  # fmt: skip
    assert problems == []
    assert [visit.vehicle_id for visit in visits] == ["V1", "=V2", "V4"]
    entries = [visit.entry("p") for visit in visits]
    assert [refusal_of(entry) for entry in entries] == [None] * 3
    assert [entry.until for entry in entries] == [date(2031, 5, 22), None, day]
    assert json.loads(entries[1].detail)["done_at"].startswith("2031-06-03")
    assert len({entry.client_key for entry in entries}) == 3


def test_what_a_row_lacks_is_asked_back_with_its_vehicle(table, reader):
    lacking = {"V3": {"decision": ANSWERS["dismiss"]}, "V4": {"decision": ANSWERS["accept"]}}
    _, problems = decided(table, reader, **lacking)
    assert problems[0].startswith("V3: Say why")
    assert problems[1] == "V4: Say on which day."
