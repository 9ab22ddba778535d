"""Rows that lie in the files of a fleet's parts are those of one table, in the vehicles' order, however cut."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipelines import large_tables
from pipelines.large_tables import LargeTable, begins_of, empty, in_slices, select, write_rows

KIND = pl.Enum(["a", "b"])
# Of each vehicle the part that it is in, and the values of its rows; in files of a part they are in any order.
FLEETS = st.dictionaries(
    st.text(min_size=1, max_size=4), st.tuples(st.integers(0, 2), st.lists(st.integers(-9, 9), max_size=3)), min_size=1
)


@given(fleet=FLEETS, most=st.integers(1, 5), turned=st.booleans())
def test_a_large_table_is_the_parts_rows_together_in_the_vehicles_order(tmp_path_factory, fleet, most, turned):
    folder = tmp_path_factory.mktemp("parts")
    frames = [
        pl.DataFrame(
            [(name, n, "ab"[n % 2]) for name, (at, values) in fleet.items() if at == part for n in values],
            schema={"vehicle_id": pl.String, "n": pl.Int8, "kind": KIND},
            orient="row",
        ).sort("vehicle_id", descending=turned, maintain_order=True)
        for part in range(3)
    ]
    for part, frame in enumerate(frames):
        write_rows(frame, folder / f"{part}")
    expected = pl.concat(frames).sort("vehicle_id", maintain_order=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(large_tables, "SLICE_ROWS", most)
        begins = begins_of(sorted(fleet), expected.height)
    table = LargeTable(tuple(folder / f"{part}" for part in range(3)), begins, expected.height)
    assert_frame_equal(select(table), expected)
    assert_frame_equal(select(table, "kind", "vehicle_id"), expected.select("kind", "vehicle_id"))
    assert_frame_equal(empty(table), expected.clear())
    slices = list(in_slices(table))
    assert_frame_equal(pl.concat(slices), expected)
    assert len(slices) == min(max(-(-expected.height // most), 1), len(fleet))
