"""Panels hold what a family has and ever read, with its learning epochs."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from drift_fleets import World, light_fleet

from pipelines.bands.equipment import fitted_codes
from pipelines.bands.panel import panels
from pipelines.catalogue.tables import drop_tables

CATALOGUE = pl.DataFrame(
    {
        "code": ["plain", "second_bank", "fifth", "cooled"],
        "bank": [1, 2, None, None],
        "cylinder": [None, None, 5, None],
        "needs": [None, "bank2", "six_cylinder", "ac|automatic"],
    }
)


def families(**row):
    like = drop_tables()["families"].schema
    return pl.DataFrame({name: [row.get(name)] for name in like}, schema=like)


@pytest.mark.parametrize(
    ("described", "expected"),
    [
        ({}, ["plain", "second_bank", "fifth", "cooled"]),
        ({"fitted": "bank2 ac"}, ["plain", "second_bank"]),
        ({"fitted": "bank2 ac automatic six_cylinder"}, ["plain", "second_bank", "fifth", "cooled"]),
        ({"banks": 1}, ["plain", "fifth", "cooled"]),
        ({"cylinders": 4, "banks": 1}, ["plain", "cooled"]),
    ],
)
def test_a_family_has_what_its_equipment_cylinders_and_banks_allow(described, expected):
    assert fitted_codes(CATALOGUE, families(engine_family="f", **described), "f") == expected


def test_a_family_that_nobody_described_has_everything():
    assert fitted_codes(CATALOGUE, families(engine_family="other", banks=1), "f") == CATALOGUE["code"].to_list()


@pytest.fixture(scope="module")
def fleet():
    return light_fleet(World(vehicles=6, families=2, corrections=3, weeks=10))


def test_rows_are_sorted_by_vehicle_and_time_and_keep_their_values(fleet):
    found = panels(fleet.evidence, fleet.history)
    assert [panel.family for panel in found] == ["family-0", "family-1"]
    for panel in found:
        for v, name in enumerate(panel.vehicles):
            rows = slice(panel.row_start[v], panel.row_start[v + 1])
            mine = fleet.evidence.snapshots.filter(pl.col("vehicle_id") == name).sort("read_at")
            np.testing.assert_array_equal(panel.values[rows], mine.select(panel.codes).to_numpy())
            assert (np.diff(panel.read_at[rows]) > np.timedelta64(0)).all()


def test_a_correction_that_only_another_family_reads_is_left_out(fleet):
    other = pl.col("vehicle_id").is_in(["vehicle-00001", "vehicle-00003", "vehicle-00005"])
    snapshots = fleet.evidence.snapshots.with_columns(channel_2=pl.when(other).then(pl.col("channel_2")))
    first, second = panels(replace(fleet.evidence, snapshots=snapshots), fleet.history)
    assert first.codes == ("channel_1", "channel_3")
    assert second.codes == ("channel_1", "channel_2", "channel_3")


def test_epochs_count_up_for_one_correction_or_for_all(fleet):
    read_at = fleet.history.readings.filter(pl.col("vehicle_id") == "vehicle-00002")["read_at"]
    rows = [(None, read_at[3]), ("channel_1", read_at[6])]
    more = pl.DataFrame(
        [("vehicle-00002", code, at - timedelta(days=1), at, "reset", True) for code, at in rows],
        schema=fleet.history.epochs.schema, orient="row",
    )  # fmt: skip
    panel = panels(fleet.evidence, replace(fleet.history, epochs=pl.concat([fleet.history.epochs, more])))[0]
    v = panel.vehicles.index("vehicle-00002")
    epoch = panel.epoch[panel.row_start[v] : panel.row_start[v + 1]]
    n = len(epoch)
    assert epoch[:, 0].tolist() == [0] * 3 + [1] * 3 + [2] * (n - 6)
    assert epoch[:, 1].tolist() == [0] * 3 + [1] * (n - 3)
    assert panel.epoch[: panel.row_start[v]].max() == 0


def test_a_new_calibration_starts_an_epoch(fleet):
    readings = fleet.history.readings
    late = (pl.col("vehicle_id") == "vehicle-00000") & (pl.int_range(pl.len()).over("vehicle_id") >= 4)
    changed = readings.with_columns(calibration=pl.when(late).then(pl.lit("B")).otherwise(pl.col("calibration")))
    panel = panels(fleet.evidence, replace(fleet.history, readings=changed))[0]
    assert panel.epoch[:6, 0].tolist() == [0, 0, 0, 0, 1, 1]
    assert panel.calibrations == ("A", "B")
