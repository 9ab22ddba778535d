from datetime import UTC, date, datetime

import polars as pl
import pytest

from dashboard.views.visits import WORDS, visit_sentence
from dashboard.views.wording import Reader
from pipelines.catalogue.tables import entry_columns
from pipelines.entries.kinds import answers

READER = Reader(as_of=datetime(2031, 5, 20, 12, tzinfo=UTC))


def said(*rows, counted=()):
    common = {"entered_at": datetime(2031, 5, 21, tzinfo=UTC), "who": "p-1", "kind": "visit", "vehicle_id": "V1"}
    entries = pl.DataFrame(
        [{**common, "entry_id": f"e{place}", **row} for place, row in enumerate(rows)], schema=entry_columns().schema
    )
    return visit_sentence("V1", entries, {"p-1": "Anna"}, READER, counted=set(counted)).replace("\u00a0", " ")


def test_the_newest_decision_is_said_with_its_day_its_author_and_its_reason():
    put_off = {"value": "put_off", "until": date(2031, 6, 1), "detail": '{"text": "on the road"}'}
    assert said({"value": "accept"}, put_off) == ("The visit is put off until 1 June (Anna, 21 May): on the road.")
    assert said({"value": "done", "detail": '{"kind": "reset"}'}) == (
        "The work is done (Anna, 21 May). It counts with the next analysis."
    )


@pytest.mark.parametrize(
    ("row", "counted"),
    [
        ({"value": "pin", "until": date(2031, 5, 19)}, ()),  # the day has passed
        ({"value": "done"}, ("e0",)),  # it stands in the record
        ({"value": "accept", "vehicle_id": "V2"}, ()),
        ({"kind": "safe", "value": "signed_off"}, ()),
    ],
)
def test_what_no_longer_holds_or_is_another_vehicles_is_not_said(row, counted):
    assert said(row, counted=counted) == ""


def test_every_answer_has_its_words():
    assert set(WORDS) == set(answers()["visit"])
