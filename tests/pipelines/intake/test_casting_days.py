"""A date without a time is the end of that day, in drops and on the command line."""

from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipelines.command_options import Time
from pipelines.intake.casting import Reading, cast

END = datetime(2031, 2, 14, 23, 59, 59, tzinfo=UTC)


@pytest.mark.parametrize("cells", [pl.Series(["2031-02-14"]), pl.Series(["20310214"]), pl.Series([date(2031, 2, 14)])])
def test_in_a_drop(cells):
    assert cast(cells, "time", Reading()).to_list() == [END]


def test_in_the_zone_of_the_store():
    assert cast(pl.Series(["2031-02-14"]), "time", Reading(time_zone="Asia/Tokyo")).to_list() == [
        datetime(2031, 2, 14, 14, 59, 59, tzinfo=UTC)
    ]


def test_a_date_stays_a_date():
    assert cast(pl.Series(["2031-02-14"]), "date", Reading()).to_list() == [date(2031, 2, 14)]


@pytest.mark.parametrize("text", ["2031-02-14", "20310214"])
def test_on_the_command_line(text):
    assert Time().convert(text, None, None) == END


def test_a_time_of_day_is_itself_on_the_command_line():
    assert Time().convert("2031-02-14T00:00", None, None) == datetime(2031, 2, 14, tzinfo=UTC)
