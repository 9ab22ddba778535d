from datetime import UTC, datetime

import pytest

from dashboard.views.sentences import correction_sentence, limit_dates, short_sentence
from dashboard.views.wording import Reader

DRIFTING = {
    "title": "Bank 1 idle trim",
    "unit": "%",
    "state": "drifting",
    "deviation": 8.1,
    "rate_per_30d": 0.9,
    "onset_at": datetime(2031, 3, 12, tzinfo=UTC),
    "alarm_at": datetime(2031, 4, 20, tzinfo=UTC),
    "limit_at_p10": datetime(2031, 6, 3, tzinfo=UTC),
    "limit_at_p50": datetime(2031, 6, 10, tzinfo=UTC),
    "limit_at_p90": datetime(2031, 6, 19, tzinfo=UTC),
}
READER = Reader(as_of=datetime(2031, 5, 20, tzinfo=UTC))
NO_LIMIT = {"limit_at_p10": None, "limit_at_p50": None, "limit_at_p90": None}


def said(row: dict) -> str:
    return correction_sentence(row, READER).replace("\u00a0", " ")


def test_a_climbing_correction_says_how_fast_since_when_and_when_it_meets_its_limit():
    assert said(DRIFTING) == (
        "Bank 1 idle trim has climbed 0.9 % a month since 12 March; "
        "at this rate it meets its limit between 3 and 19 June."
    )


def test_one_that_moves_inside_its_band_is_said_to_be_still_inside():
    near = DRIFTING | {"expected": 0.0, "band_low": -9.0, "band_high": 9.0}
    assert "since 12 March, still inside its band; at this rate" in said(near)
    assert "inside" not in said(near | {"band_high": 8.0})


def test_a_falling_correction_that_meets_no_limit_says_so():
    assert said(DRIFTING | NO_LIMIT | {"rate_per_30d": -0.4, "deviation": -2.0}) == (
        "Bank 1 idle trim has fallen 0.4 % a month since 12 March; it is not expected to meet its limit."
    )


def test_a_limit_that_may_never_be_met_is_not_promised():
    assert said(DRIFTING | {"limit_at_p90": None}).endswith(
        "it may meet its limit from 3 June on, or level off before."
    )


def test_a_limit_already_met_is_said_to_be():
    past = datetime(2031, 5, 1, tzinfo=UTC)
    assert limit_dates(past, past, past, READER) == "is at its limit or about to meet it"


def test_a_correction_outside_its_band_says_how_far():
    assert said(DRIFTING | NO_LIMIT | {"state": "outside", "deviation": -6.0}) == (
        "Bank 1 idle trim stands 6 % below what this vehicle should read since 12 March; "
        "it is not expected to meet its limit."
    )


def test_a_change_that_has_settled_is_said_with_its_date():
    settled = DRIFTING | {"state": "steady", "changed_at": datetime(2031, 2, 3, tzinfo=UTC)}
    assert said(settled) == "Bank 1 idle trim moved about 3 February and has held since: its new normal."


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("not_learning", "it is not learning"),
        ("relearning", "is relearning"),
        ("not_read", "was not read lately"),
        ("not_fitted", "is not fitted"),
        ("steady", "is where it should be"),
    ],
)
def test_every_other_state_has_its_sentence(state, words):
    assert words in said(DRIFTING | {"state": state})


def test_in_a_cell_the_same_is_said_in_a_few_words():
    assert short_sentence(DRIFTING, READER).replace("\u00a0", " ") == "climbing 0.9 % a month since 12 Mar"
    assert short_sentence(DRIFTING | {"state": "not_learning"}, READER) == "not learning"
    assert short_sentence(DRIFTING | {"state": "steady"}, READER) == "steady"


def test_a_drift_without_a_known_rate_is_still_said():
    assert "has climbed slowly since 12 March" in said(DRIFTING | {"rate_per_30d": None})


def test_a_limit_years_away_is_not_dated():
    far = {f"limit_at_p{share}": datetime(2034, 1, 1, tzinfo=UTC) for share in (10, 50, 90)}
    assert said(DRIFTING | far).endswith("at this rate it does not meet its limit within two years.")


def test_a_correction_on_its_way_back_is_not_said_to_run_to_its_limit():
    back = DRIFTING | {"deviation": -3.7, "rate_per_30d": 0.67}
    said = correction_sentence(back, READER).replace("\u00a0", " ")
    assert said.endswith(
        "stands 3.7 % below what this vehicle should read since 12 March and is coming back 0.67 % a month."
    )
    assert short_sentence(back, READER).replace("\u00a0", " ") == "3.7 % below expected since 12 Mar"
