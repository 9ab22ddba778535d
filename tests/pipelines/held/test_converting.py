"""What a cell becomes: the file's cell times the factor in double precision, then as precise as is stored. 2 s."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.held.applying import cells_righted
from pipelines.held.slips import slips, slips_of

GRIDS = built_in_corrections().select("unit", "neutral", "resolution", "low_limit", "high_limit").unique().rows()
LINEAR = [slip for slip in slips() if not slip.offset]


@pytest.mark.parametrize(("unit", "neutral", "step", "low", "high"), sorted(GRIDS))
def test_values_on_their_steps_come_back_to_the_last_bit_from_any_unit(unit, neutral, step, low, high):
    right = neutral + np.arange(np.ceil((low - neutral) / step), np.floor((high - neutral) / step) + 1) * step
    right = right[right != 0]
    for slip in slips_of(unit):
        came = pl.Series((right - slip.offset) / slip.factor).cast(pl.Float32)  # with as many digits as there are
        back = cells_righted(came, slip, neutral, step).astype(np.float32)
        assert np.array_equal(back, right.astype(np.float32)), slip.looks_like


@given(st.integers(-9_999_999, 9_999_999), st.integers(-6, 4), st.sampled_from(LINEAR), st.sampled_from(GRIDS))
def test_what_a_file_rounded_is_that_number_times_the_factor(digits, exponent, slip, grid):
    cell = float(f"{digits}e{exponent}")
    came, expected = pl.Series([cell]).cast(pl.Float32), np.float32(cell * slip.factor)
    assert np.float32(cells_righted(came, slip, 0.0, 0.0)[0]) == expected
    on_steps = np.float32(cells_righted(came, slip, grid[1], grid[2])[0])
    assert abs(on_steps - expected) <= 2 * np.spacing(abs(expected))  # or the step beside it, if it is as near as that


@given(st.lists(st.one_of(st.none(), st.floats(-1e6, 1e6)), min_size=1), st.sampled_from(slips()))
def test_circumstances_are_converted_in_double_precision(cells, slip):
    back = cells_righted(pl.Series(cells, dtype=pl.Float64), slip, 0.0, 0.0)
    expected = [float("nan") if cell is None else cell * slip.factor + slip.offset for cell in cells]
    assert np.array_equal(back, np.array(expected), equal_nan=True)
