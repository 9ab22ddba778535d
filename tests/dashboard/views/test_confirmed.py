import polars as pl
import pytest

from dashboard.views.confirmed import named_and_found

NAMES = {"egr_restricted": "Exhaust gas recirculation restricted"}


def test_how_often_what_was_named_was_so_is_said_over_all_and_by_cause():
    table = pl.DataFrame(
        {
            "cause": ["egr_restricted", "no_fault_found"], "cases": [10, 1], "looked_into": [12, 0],
            "confirmed": [9, 0], "share": [0.75, None], "low": [0.5, None], "high": [0.9, None], "spread": [1.2, None],
        }
    )  # fmt: skip
    view = named_and_found(table, NAMES)
    said = view.sentence.replace("\u00a0", " ")
    assert view.title == "Causes that were named and found: 9 of 12"
    assert said.startswith("11 confirmed cases of this fleet stand behind the rankings. Of 12 causes")
    assert "9 were so: 75 % (between 52 % and 90 %)" in said
    assert view.rows["cause"].to_list() == ["Exhaust gas recirculation restricted", "no fault found"]
    assert view.rows["share"][0] == pytest.approx(75)


def test_a_state_from_before_and_one_without_confirmed_work_say_that_nothing_is_on_record():
    for table in (pl.DataFrame(), pl.DataFrame(schema={"cause": pl.String, "looked_into": pl.Int64})):
        view = named_and_found(table, NAMES)
        assert "none on record yet" in view.title
        assert view.rows.is_empty()
