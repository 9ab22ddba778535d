import json
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.entries.checking import details_of, refusal_of
from pipelines.entries.entry import Entry
from pipelines.entries.kinds import answers

GOOD = [
    Entry(who="a", kind="held", subject="b1", value="convert"),
    Entry(who="a", kind="visit", vehicle_id="v1", value="accept"),
    Entry(who="a", kind="visit", vehicle_id="v1", value="put_off", until=date(2031, 2, 1), detail='{"text": "why"}'),
    Entry(who="a", kind="visit", vehicle_id="v1", value="done", detail='{"kind": "reset"}'),
    Entry(who="a", kind="check", vehicle_id="v1", subject="c1", value="ok"),
    Entry(who="a", kind="reading", vehicle_id="v1", detail='{"read_at": "2031-01-01T08:00:00Z"}'),
    Entry(who="a", kind="finding", subject="i1", value="assign", detail='{"to": "anna"}'),
    Entry(who="a", kind="note", subject="fleet", value="new fuel\nsupplier"),
    Entry(who="a", kind="note", vehicle_id="v1", value="oil changed"),
    Entry(who="a", kind="safe", vehicle_id="v1", value="signed_off"),
    Entry(who="a", kind=None, withdraws="e1"),
    Entry(who="a", kind="held", subject="b1", value="keep", withdraws="e1"),
]


@pytest.mark.parametrize("entry", GOOD, ids=lambda entry: f"{entry.kind} {entry.value}")
def test_an_entry_that_says_what_its_kind_must_say_is_taken(entry):
    assert refusal_of(entry) is None


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"kind": "visits"}, "kind: 'visits' is none of held, visit, check, reading, finding, note, safe"),
        ({"kind": None}, "kind: is missing; one of held"),
        ({"kind": "held", "subject": "b1", "value": "maybe"}, "value: 'maybe' is none of convert, keep, leave_out"),
        ({"kind": "held", "value": "keep"}, "subject: is missing, which held keep must have"),
        ({"kind": "visit", "value": "start"}, "vehicle_id: is missing"),
        ({"kind": "visit", "vehicle_id": "v1", "value": "pin"}, "until: is missing, which visit pin must have"),
        ({"kind": "visit", "vehicle_id": "v1", "value": "done"}, "detail: lacks kind, which visit done must have"),
        ({"kind": "visit", "vehicle_id": "v1"}, "value: is missing; one of accept, put_off"),
        ({"kind": "reading", "vehicle_id": "v1", "detail": "{}"}, "detail: lacks read_at"),
        ({"kind": "reading", "vehicle_id": "v1", "value": "5"}, "value: is given, which reading does not have"),
        ({"kind": "note", "subject": "fleet"}, "value: is missing, which note must have"),
        ({"kind": "note", "value": "x"}, "subject: say 'fleet' or a depot"),
        ({"kind": "note", "value": "x", "subject": "fleet", "vehicle_id": "v1"}, "subject: say 'fleet' or a depot"),
        ({"kind": "note", "value": "x" * 4001, "subject": "fleet"}, "value: has 4,001 characters, 4,000 are taken"),
        ({"kind": "note", "value": "x\x00", "subject": "fleet"}, "value: holds the control character U+0000"),
        ({"kind": "note", "value": "x\ud800", "subject": "fleet"}, "value: holds the control character U+D800"),
        ({"kind": "safe", "value": "signed_off", "vehicle_id": "v\n1"}, "vehicle_id: holds the control character"),
        ({"kind": "finding", "subject": "i", "value": "assign", "detail": "[]"}, "detail: is no JSON object"),
        ({"kind": "finding", "subject": "i", "value": "assign", "detail": '{"to": [1]}'}, "'to' holds a list"),
        ({"kind": "finding", "subject": "i", "value": "assign", "detail": '{"to": NaN}'}, "NaN is no number"),
        ({"kind": "nonsense", "withdraws": "e1"}, "kind: 'nonsense' is none of"),
        ({"kind": "safe", "vehicle_id": "v1", "value": "signed_off", "who": ""}, "who: is empty"),
    ],
)
def test_what_an_entry_lacks_or_should_not_have_is_said_with_its_column(words, said):
    assert said in str(refusal_of(Entry(**{"who": "a", **words})))


def test_the_kinds_are_those_of_the_contract_and_what_pages_keep():
    assert {kind: set(values) for kind, values in answers().items()} == {
        "held": {"convert", "keep", "leave_out"},
        "visit": {"accept", "put_off", "dismiss", "pin", "exclude", "start", "done"},
        "check": {"*"},
        "reading": {""},
        "finding": {"assign", "close"},
        "note": {"*"},
        "safe": {"signed_off"},
        "view": {"*"},
        "list": {"*"},
    }


anything = st.none() | st.booleans() | st.floats() | st.text(max_size=5)
json_like = st.recursive(anything, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner))


@given(detail=st.text() | json_like.map(json.dumps))
def test_any_detail_is_an_object_of_single_values_or_says_in_a_line_why_not(detail):
    said = ""
    try:
        found = details_of(detail)
    except ValueError as error:
        found, said = {}, str(error)
    assert not any(isinstance(value, dict | list) for value in found.values())
    assert said or isinstance(json.loads(detail), dict)
