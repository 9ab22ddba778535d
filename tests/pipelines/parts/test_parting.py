"""Which vehicles make a part: all of them once, and the first part has seen all that the others can show."""

import polars as pl

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
