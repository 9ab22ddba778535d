"""Which vehicles make a part: all of them once, and the first part has seen all that the others can show."""

import polars as pl
import pytest

from pipelines.parts import parting
from pipelines.parts.parting import parted

from .conftest import CELLS


def test_a_fleet_that_fits_one_part_is_one(evidence, fleet):
    assert parted(evidence, fleet.shown).parts == [evidence.vehicles["vehicle_id"].to_list()]
    assert parted(evidence, fleet.shown).whole is None


def test_every_vehicle_is_in_one_part_whatever_the_order_of_rows(evidence, fleet):
    parts = parted(evidence, fleet.shown, most_cells=CELLS).parts
    assert len(parts) > 2
    assert sorted(name for part in parts for name in part) == evidence.vehicles["vehicle_id"].to_list()
    turned = evidence.vehicles.sort("vehicle_id", descending=True)
    assert (
        parted(type(evidence)(**{**vars(evidence), "vehicles": turned}), fleet.shown, most_cells=CELLS).parts == parts
    )


def test_the_first_part_has_all_of_a_small_family_and_some_of_whatever_others_show(evidence, fleet):
    first = parted(evidence, fleet.shown, most_cells=CELLS).parts[0]
    vehicles = evidence.vehicles.with_columns(teaches=pl.col("vehicle_id").is_in(first))
    sizes = dict(vehicles.group_by("engine_family").agg(pl.len()).iter_rows())
    taught = dict(vehicles.filter("teaches").group_by("engine_family").agg(pl.len()).iter_rows())
    smallest = min(sizes, key=sizes.__getitem__)
    assert taught[smallest] == sizes[smallest]
    assert all(taught[family] >= min(4, size) for family, size in sizes.items())
    read = evidence.snapshots.join(vehicles, on="vehicle_id").group_by("engine_family", "calibration").agg("teaches")
    assert read["teaches"].list.any().all()


@pytest.mark.parametrize(("room", "expected"), [(30, {"a": 12, "b": 12, "c": 6}), (9, {"a": 5, "b": 4, "c": 0})])
def test_of_more_families_than_one_part_can_teach_the_smaller_teach_themselves(room, expected, monkeypatch):
    monkeypatch.setattr(parting, "LEAST_TEACHING", 4)
    monkeypatch.setattr(parting, "LEAST_TAUGHT", 2)
    assert parting._quotas({"a": 30, "b": 25, "c": 6}, room) == expected


def test_a_family_that_teaches_itself_is_in_one_part(evidence, fleet, monkeypatch):
    monkeypatch.setattr(parting, "LEAST_TEACHING", 30)
    sizes = dict(evidence.vehicles.group_by("engine_family").agg(pl.len()).iter_rows())
    of = dict(evidence.vehicles.select("vehicle_id", "engine_family").iter_rows())
    parts = [{of[name] for name in part} for part in parted(evidence, fleet.shown, most_cells=3_500).parts]
    largest = max(sizes, key=sizes.__getitem__)
    assert parts[0] == {largest}
    assert all(sum(family in part for part in parts) == 1 for family in sizes if family != largest)
