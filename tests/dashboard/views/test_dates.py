from datetime import UTC, date, datetime

import pytest

from dashboard.views.dates import CHARTS, DAY_FIRST, FORMS, MONTH_FIRST, TABLES, YEAR_FIRST, pattern
from dashboard.views.wording import Reader

AS_OF = datetime(2031, 5, 20, 12, tzinfo=UTC)
TEXT = "Worked on 28 February, not read since 3 March 2030; 31 June is no day. Coolant +5 degC at 90 degC, 0.5 ratio."


def reader(form, *, fahrenheit=False):
    return Reader(as_of=AS_OF, dates=form, fahrenheit=fahrenheit)


@pytest.mark.parametrize(
    ("form", "day", "other", "between"),
    [
        (DAY_FIRST, "3 June", "3 June 2030", "between 3 and 19 June"),
        (MONTH_FIRST, "June 3", "June 3, 2030", "between June 3 and 19"),
        (YEAR_FIRST, "2031-06-03", "2030-06-03", "between 2031-06-03 and 2031-06-19"),
    ],
)
def test_days_are_said_in_the_readers_form(form, day, other, between):
    said = reader(form)
    low, high = datetime(2031, 6, 3, tzinfo=UTC), datetime(2031, 6, 19, tzinfo=UTC)
    words = (said.day(low), said.day(date(2030, 6, 3)), said.between(low, high))
    assert [each.replace("\N{NO-BREAK SPACE}", " ") for each in words] == [day, other, between]


def test_published_text_is_read_in_the_readers_days_and_degrees():
    told = reader(MONTH_FIRST, fahrenheit=True).said(TEXT).replace("\N{NO-BREAK SPACE}", " ")
    assert told == (
        "Worked on February 28, not read since March 3, 2030; 31 June is no day. Coolant +9 °F at 194 °F, 0.5."
    )
    assert "2031-02-28" in reader(YEAR_FIRST).said(TEXT)
    assert "28 February" in reader(DAY_FIRST).said(TEXT)


@pytest.mark.parametrize("known", [TABLES, CHARTS], ids=["tables", "charts"])
def test_every_pattern_has_the_three_forms(known):
    for written in known:
        assert pattern(written, DAY_FIRST, known) == written
        assert len({pattern(written, form, known) for form in FORMS}) >= 2
    assert pattern("D MMM YYYY, HH:mm", YEAR_FIRST, TABLES) == "YYYY-MM-DD, HH:mm"
