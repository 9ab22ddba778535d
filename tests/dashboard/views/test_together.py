from datetime import timedelta

import polars as pl
import pytest

from dashboard.views.together import age_sentence, open_decisions, together

NOTHING = {name: pl.DataFrame() for name in ("drift_season", "drift_model", "drift_moved", "calibration_register")}
NOTES = {"at": pl.Datetime("us", "UTC"), "about": pl.String, "text": pl.String}


@pytest.fixture
def said(corrections, reader):
    """Function: what is said of these tables and notes, with plain blanks."""

    def told(notes=(), **tables):
        words = together(
            {**NOTHING, **tables}, corrections=corrections,
            notes=pl.DataFrame(list(notes), schema=NOTES, orient="row"), reader=reader,
        )  # fmt: skip
        return [each.replace("\N{NO-BREAK SPACE}", " ") for each in words]

    return told


def seasons(reader, now):
    weeks = [reader.as_of - timedelta(weeks=week) for week in range(8)]
    levels = [now if week < 5 else 0.0 for week in range(8)]
    common = {"engine_family": "Alder 1.6", "correction": "ltft_b1_idle"}
    season = pl.DataFrame({"week_from": weeks, "season": levels, "count": 9.0}).with_columns(
        **{name: pl.lit(value) for name, value in common.items()}
    )
    model = pl.DataFrame([{**common, "block_from": weeks[-1], "sigma": 0.5}])
    return {"drift_season": season, "drift_model": model}


def test_what_all_vehicles_did_in_the_cold_is_said_once_and_of_none(said, reader):
    [words] = said(**seasons(reader, 1.2))
    assert words.startswith("All vehicles together moved in Long-term fuel trim, bank 1, idle (up 1.2 %)")
    [little] = said(**seasons(reader, 0.3))
    assert little.startswith("Weather and fuel moved the whole fleet by less than a healthy scatter")


def test_a_depot_a_calibration_and_a_note_of_this_month_are_told(said, reader):
    week = reader.as_of - timedelta(days=9)
    moved = {"depot": "Saltings", "correction": "ltft_b1_idle", "week_from": week, "moved": 6.0, "vehicles": 12}
    register = {"calibration": "B2", "vehicles": 4, "first_read_at": week}
    words = said(
        [(week, "fleet", "winter fuel"), (week, "Saltings", "bay closed")],
        drift_moved=pl.DataFrame([moved, moved | {"week_from": week - timedelta(days=60)}]),
        calibration_register=pl.DataFrame([register]),
    )
    assert words[0].startswith(
        "A whole depot moved at once: Saltings in Long-term fuel trim, bank 1, idle (12 vehicles, week of 11 May)."
    )
    assert words[1] == "A new calibration was read: B2 on 4 vehicles since 11 May."
    assert words[2] == "Noted of the whole fleet: \u2018winter fuel\u2019 (11 May)."


def test_nothing_of_this_month_says_nothing(said):
    assert said() == []


def test_the_age_of_the_data_is_that_of_the_newest_reading_and_of_half_the_fleet(reader):
    read = [reader.as_of - timedelta(days=days) for days in (20, 3, 1)]
    fleet = pl.DataFrame({"last_read_at": [*read, None], "days_since_read": [20.0, 3.0, 1.0, None]})
    words = age_sentence(fleet, reader).replace("\N{NO-BREAK SPACE}", " ")
    assert words == "The newest reading is of 19 May; half of the vehicles were read within 3 days."
    assert age_sentence(fleet.tail(1), reader) == "No vehicle was read yet."


def test_what_waits_for_a_decision_names_the_page_to_decide_it_on():
    held = pl.DataFrame({"decision": ["open", "keep"]})
    assert [page for _, page in open_decisions(held, visits=3, decided=1)] == ["drops", "plan"]
    assert open_decisions(pl.DataFrame(), visits=2, decided=2) == []
