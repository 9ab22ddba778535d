"""What a vehicle's page says of a visit that waits."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import polars as pl

from dashboard.views.waiting import waiting
from dashboard.views.wording import Reader
from pipelines.workplan.waiting import WAITING_COST

READER = Reader(as_of=datetime(2031, 6, 1, 12, tzinfo=UTC), zone=ZoneInfo("UTC"))


def curve(costs):
    rows = [("V1", 7 * week, cost, cost - 5.0, cost + 20.0 * week) for week, cost in enumerate(costs)]
    return pl.DataFrame(rows, schema=WAITING_COST, orient="row")


def test_two_weeks_of_waiting_are_said_with_their_interval():
    view = waiting("V1", curve([100.0, 130.0, 160.0]), READER)
    assert view.sentence.replace("\u00a0", " ") == (
        "A visit 14 days from now, on 15 June, is expected to cost 60 more than one now "
        "(60 to 100 by the forecast's 90 % interval)."
    )
    assert view.rows["day"].to_list() == [date(2031, 6, 1), date(2031, 6, 8), date(2031, 6, 15)]


def test_where_waiting_is_cheaper_it_says_less():
    assert " 20 less than one now" in waiting("V1", curve([100.0, 90.0, 80.0]), READER).sentence


def test_a_vehicle_whose_visit_was_not_priced_has_nothing():
    assert waiting("V2", curve([100.0, 130.0, 160.0]), READER) is None
    assert waiting("V1", pl.DataFrame(), READER) is None
