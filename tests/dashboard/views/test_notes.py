import json
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from dashboard.views.notes import About, Note, notes_of, waiting_sentence, with_notes
from dashboard.views.wording import Reader
from pipelines.catalogue.tables import drop_tables, entry_columns

AS_OF = datetime(2031, 5, 20, 12, tzinfo=UTC)


def entries(*rows):
    common = {"entered_at": AS_OF, "who": "p-1", "kind": "note"}
    return pl.DataFrame(
        [{**common, "entry_id": f"e{place}", **row} for place, row in enumerate(rows)], schema=entry_columns().schema
    )


def typed(**words):
    given = {"text": "new fuel", "about": About(), "on": date(2031, 5, 1), "name": "Anna", "client_key": "k"}
    return Note(**{**given, "reader": Reader(as_of=AS_OF, zone=ZoneInfo("Europe/Lisbon")), **words})


def test_notes_of_drops_and_of_people_stand_together_newest_first_with_the_writers_name():
    dropped = pl.DataFrame(
        {"at": [datetime(2031, 2, 1, tzinfo=UTC)], "about": ["fleet"], "text": ["oil grade"]},
        schema=drop_tables()["notes"].schema,
    )
    entered = entries(
        {"vehicle_id": "V1", "value": "smokes", "detail": '{"at": "2031-03-01T10:00:00+02:00"}'},
        {"subject": "Saltings", "value": "moved", "detail": '{"at": "2031-01-01T00:00:00Z"}', "who": "p-2"},
        {"kind": "safe", "vehicle_id": "V1", "value": "signed_off"},
    )
    notes = notes_of(dropped, entered, {"p-1": "Anna"})
    assert notes["about"].to_list() == ["V1", "fleet", "Saltings"]
    assert notes["who"].to_list() == ["Anna", "a drop", "p-2"]
    assert notes["at"][0] == datetime(2031, 3, 1, 8, tzinfo=UTC)
    events = pl.DataFrame(schema={"at": pl.Datetime("us", "UTC"), "kind": pl.String, "text": pl.String})
    near = with_notes(events, notes, about=["fleet", "V1"], until=datetime(2031, 2, 15, tzinfo=UTC))
    assert near.rows() == [(datetime(2031, 2, 1, tzinfo=UTC), "note", "oil grade")]


@pytest.mark.parametrize(
    ("words", "at"),
    [
        ({}, "2031-05-01T11:00:00Z"),  # noon in the reader's zone
        ({"on": date(2031, 5, 20)}, "2031-05-20T12:00:00Z"),  # the state's own day: on its time axis
    ],
)
def test_a_note_becomes_an_entry_at_the_day_that_was_meant(words, at):
    entry = typed(**words).entry("p-1")
    assert json.loads(entry.detail) == {"at": at}
    assert (entry.subject, entry.vehicle_id, entry.value, entry.client_key) == ("fleet", None, "new fuel", "k")


def test_a_note_on_a_vehicle_names_it_and_one_on_a_depot_the_depot():
    assert typed(about=About(vehicle_id="V1")).entry("p").vehicle_id == "V1"
    assert typed(about=About(vehicle_id="V1")).entry("p").subject is None
    assert typed(about=About(depot="Saltings")).entry("p").subject == "Saltings"


def test_what_is_still_to_be_typed_is_said():
    assert "empty" in typed(text=" \n").problem
    assert "who writes" in typed(name=" ").problem
    assert "too long" in typed(name="x" * 81).problem
    assert typed().problem == ""


def test_what_was_entered_since_the_analysis_and_changes_the_next_is_counted():
    record = entries(
        {"kind": "reading", "vehicle_id": "V1"},
        {"value": "a note changes no table"},
        {"kind": "visit", "value": "accept"},
        {"kind": "visit", "value": "done"},
        {"kind": "held", "value": "keep"},
    )
    said = [waiting_sentence(record, counted).replace("\u00a0", " ") for counted in (0, 4, 5)]
    assert said == [
        "3 entries made since then: they count with the next analysis.",
        "1 entry made since then: it counts with the next analysis.",
        "",
    ]
