import re
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.views.wording import (
    BLANKS,
    JOINER,
    Reader,
    amount,
    count,
    listed,
    number,
    percent,
    plain,
    shell_word,
    signed,
    unit_word,
)
from pipelines.visible import visible

MARKS = r"[!-/:-@\[-`{-~]"
READER = Reader(as_of=datetime(2031, 5, 20, 12, tzinfo=UTC))


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.913, "0.91"), (1234.0, "1,200"), (-0.5, "−0.5"), (0, "0"), (12.0, "12"), (None, "–"), (float("nan"), "–")],  # noqa: RUF001
)
def test_numbers_have_two_significant_figures(value, text):
    assert number(value) == (text if value != 1234.0 else "1,234")


@given(st.floats(1e-6, 1e9), st.integers(1, 6))
def test_a_number_read_back_is_within_half_a_unit_of_its_last_figure(value, figures):
    read = float(number(value, figures=figures).replace(",", ""))
    assert abs(read - value) <= max(0.5, abs(value)) * 10.0 ** (1 - figures)


def test_a_rise_carries_a_plus_and_a_fall_a_true_minus():
    assert (signed(0.9), signed(-3), signed(0)) == ("+0.9", "−3", "0")  # noqa: RUF001


@pytest.mark.parametrize(
    ("share", "text"), [(0.3, "30 %"), (0.004, "under 1 %"), (0.9999, "over 99 %"), (1.0, "100 %"), (0.0, "0 %")]
)
def test_chances_near_but_not_at_the_ends_are_not_rounded_onto_them(share, text):
    assert percent(share).replace("\u00a0", " ") == text


def test_an_interval_inside_one_month_names_it_once():
    said = READER.between(datetime(2031, 6, 3, tzinfo=UTC), datetime(2031, 6, 19, tzinfo=UTC))
    assert said.replace("\u00a0", " ") == "between 3 and 19 June"


def test_an_interval_over_months_and_years_names_what_differs():
    said = READER.between(datetime(2031, 12, 28, tzinfo=UTC), datetime(2032, 1, 3, tzinfo=UTC))
    assert said.replace("\u00a0", " ") == "between 28 December and 3 January 2032"


def test_a_day_is_that_of_the_readers_clock():
    lisbon, auckland = (
        Reader(as_of=READER.as_of, zone=ZoneInfo(name)) for name in ("Europe/Lisbon", "Pacific/Auckland")
    )
    late = datetime(2031, 5, 20, 18, tzinfo=UTC)
    assert (lisbon.day(late), auckland.day(late)) == ("20\u00a0May", "21\u00a0May")
    assert READER.day(date(2030, 5, 20)) == "20\u00a0May\u00a02030"


def test_distances_and_rates_by_distance_follow_the_readers_unit():
    miles = Reader(as_of=READER.as_of, miles=True)
    assert READER.distance(12400) == "12,400\u00a0km"
    assert miles.distance(1609.344) == "1,000\u00a0miles"
    assert miles.per_thousand(1.0) == pytest.approx(1.609344)


def test_small_words():
    assert (count(0, "vehicle"), count(1, "vehicle"), count(1200, "vehicle")) == (
        "no\u00a0vehicles",
        "1\u00a0vehicle",
        "1,200\u00a0vehicles",
    )
    assert (listed(["a"]), listed(["a", "b", "c"]), listed([])) == ("a", "a, b and c", "")
    assert (unit_word("degC"), amount(0.9, "%")) == ("°C", "0.9\u00a0%")
    assert (amount(2.0, "ratio"), amount(2.0, "1"), amount(2.0, "")) == ("2", "2", "2")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Vehicle WC 104", "Vehicle WC 104"),
        ("1.5 % of **all** [x](http://a.b)", r"1\.5 \% of \*\*all\*\* \[x\]\(http~\:\/\/a\.b\)"),
        ("www.a.b and c@d.e", r"www~\.a\.b and c~\@d\.e"),
        (":material/check: :tada: :red[x]", r"\:~material\/check\: \:~tada\: \:red\[x\]"),
        ("a -> b <-> c >= d", r"a \-~\> b \<\-~\> c \>~\= d"),
        ("  - one\n\n# two\tthree", r"\- one \# two three"),
        ("\x1b[1m\u202eabc", r"\\x1b\[1m\\u202eabc"),
    ],
)
def test_text_from_a_drop_is_escaped(text, shown):
    assert plain(text) == shown.replace("~", JOINER)


@given(st.text(st.one_of(st.characters(codec="utf-8"), st.sampled_from("*_[]<>`$#|abc :w.htps/@-=~"))))
def test_text_from_a_drop_is_never_read_as_markup(text):
    shown = plain(text)
    read = re.sub(rf"\\({MARKS})", r"\1", shown)  # what is left once escapes are taken out
    told = visible(BLANKS.sub(" ", text).strip(" "))
    assert read.replace(JOINER, "") == told.replace(JOINER, "")
    assert not re.search(MARKS, re.sub(rf"\\{MARKS}", "", shown))
    assert not re.search(r"https?://|www\.|[-.\w+]@|:[\w+-]+:|:material/", read, re.IGNORECASE)
    assert not re.search(r"(^|\s)(<->|->|<-|--|>=|<=|~=)(\s|$)", read)


def test_a_word_of_a_command_is_quoted():
    assert shell_word("reader log.csv") == "'reader log.csv'"
    assert shell_word("a;rm -rf $HOME.csv") == "'a;rm -rf $HOME.csv'"
    assert "\x1b" not in shell_word("a\x1b[2J.csv")
