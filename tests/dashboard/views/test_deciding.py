import json
from datetime import date

import pytest

from dashboard.views.deciding import ANSWERS, Visit
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
