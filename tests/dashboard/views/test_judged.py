from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from dashboard.views.judged import as_judged

START = datetime(2031, 1, 6, tzinfo=UTC)
COUNT, CAME, TAKEN = 30, 10, 20  # readings; the change; the reading at which it was taken for a new normal


@pytest.fixture
def path():
    offset = [2.0 if week >= TAKEN else 0.0 for week in range(COUNT)]
    return pl.DataFrame(
        {
            "read_at": [START + timedelta(weeks=week) for week in range(COUNT)],
            "value": [2.1 if week >= CAME else 0.1 for week in range(COUNT)],
            "offset": offset,
            **{
                name: [of + away for of in offset]
                for name, away in (("expected", 0), ("band_low", -1), ("band_high", 1))
            },
        }
    )


def row(path, *, alarm, expected):
    return {"alarm": alarm, "onset_at": path["read_at"][CAME] if alarm else None, "expected": expected}


def test_a_change_found_to_harm_is_shown_by_the_band_from_before(path):
    shown = as_judged(path, row(path, alarm=True, expected=0.0))
    assert shown["expected"].to_list() == [0.0] * COUNT
    assert (shown["value"][CAME:] > shown["band_high"][CAME:]).all()


@pytest.mark.parametrize(("alarm", "expected"), [(False, 2.0), (True, 2.0), (False, 0.0)])
def test_any_other_path_is_shown_as_it_is(path, alarm, expected):
    assert as_judged(path, row(path, alarm=alarm, expected=expected)).equals(path)


def test_readings_without_an_expectation_are_shown_as_they_are(path):
    bare = path.select("read_at", "value")
    assert as_judged(bare, row(path, alarm=True, expected=0.0)).equals(bare)
