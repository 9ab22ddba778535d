import polars as pl
import pytest

from dashboard.views.degrees import (
    catalogue_in_fahrenheit,
    readings_in_celsius,
    readings_in_fahrenheit,
    states_in_fahrenheit,
)

CATALOGUE = pl.DataFrame(
    {
        "code": ["model", "oil", "trim"], "unit": ["degC", "degC", "%"], "neutral": [0.0, 90.0, 0.0],
        "low_limit": [-15.0, 60.0, -25.0], "high_limit": [15.0, 130.0, 25.0],
    }
)  # fmt: skip
STATES = pl.DataFrame(
    {
        "correction": ["model", "oil", "trim"], "value": [10.0, 100.0, 3.0], "expected": [1.0, None, 0.0],
        "deviation": [9.0, -5.0, 3.0], "rate_per_30d": [0.5, 0.5, 0.5], "z": [4.0, 1.0, 1.0],
    }
)  # fmt: skip


def test_a_correction_of_a_temperature_is_scaled_and_a_temperature_moved_too():
    known = catalogue_in_fahrenheit(CATALOGUE)
    assert known["unit"].to_list() == ["degF", "degF", "%"]
    assert known["high_limit"].to_list() == pytest.approx([27.0, 266.0, 25.0])
    told = states_in_fahrenheit(STATES, CATALOGUE)
    assert told["value"].to_list() == pytest.approx([18.0, 212.0, 3.0])
    assert told["deviation"].to_list() == pytest.approx([16.2, -9.0, 3.0])
    assert told["rate_per_30d"].to_list() == pytest.approx([0.9, 0.9, 0.5])
    assert told["expected"].to_list() == [pytest.approx(1.8), None, 0.0]
    assert told["z"].equals(STATES["z"])


def test_readings_agree_with_the_state_beside_them():
    rows = CATALOGUE.to_dicts()
    read = pl.DataFrame({"value": [10.0], "level": [9.0]})
    assert readings_in_fahrenheit(read, rows[0]).row(0) == pytest.approx((18.0, 16.2))
    assert readings_in_fahrenheit(read, rows[1]).row(0) == pytest.approx((50.0, 48.2))
    assert readings_in_fahrenheit(read, rows[2]).equals(read)


def test_what_is_saved_is_what_was_read():
    for row in CATALOGUE.to_dicts():
        read = pl.DataFrame({"value": [10.0, None], "rate_per_30d": [0.5, 1.0]})
        shown = readings_in_fahrenheit(read, row)
        back = readings_in_celsius(shown, row, levels=["value"], steps=["rate_per_30d"])
        assert back["value"].to_list() == [pytest.approx(10.0), None]
        assert back["rate_per_30d"].to_list() == pytest.approx([0.5, 1.0])
