"""Batches in another unit are held; what vehicles do by themselves, or all together, is not."""

import numpy as np
import polars as pl
import pytest

from tests.pipelines.held.conftest import MONTH, UNITS, batches, evidence_of, healthy, in_month, judged

TRIMS = [code for code, unit in UNITS.items() if unit == "%"]
FILE = f"snapshots-{MONTH}.csv"
SLIPS = {
    "fractions": (in_month(*TRIMS)(lambda x: x / 100), [("fraction", TRIMS)]),
    "one column as fractions": (in_month("trim_2")(lambda x: x / 100), [("fraction", ["trim_2"])]),
    "degrees Fahrenheit": (in_month("ambient_c")(lambda x: (x * 1.8 + 32).round(1)), [("degF", ["ambient_c"])]),
    "miles": (in_month("odometer_km")(lambda x: (x / 1.609344).round(1)), [("mi", ["odometer_km"])]),
    "inches of mercury": (in_month("baro_kpa")(lambda x: (x / 3.386389).round(2)), [("inHg", ["baro_kpa"])]),
    "a correction in psi": (in_month("rail")(lambda x: x / 6.894757293168361), [("psi", ["rail"])]),
    "a decimal point lost": (
        in_month("knock", "plate")(lambda x: x * 10),
        [("decimal point lost: ten times too large", ["knock", "plate"])],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_of_a_depots_month_is_held_and_nothing_else(name):
    spoil, expected = SLIPS[name]
    right = healthy()
    evidence = judged(spoil(right))
    assert batches(evidence) == [(FILE, "Quay", looks_like, 8) for looks_like, _ in expected]
    held = (pl.col("read_at").dt.strftime("%Y-%m") == MONTH) & (
        pl.col("vehicle_id").str.slice(1).cast(pl.Int32) % 2 == 0
    )
    for _, columns in expected:
        emptied = evidence.snapshots.filter(pl.any_horizontal(pl.col(column).is_null() for column in columns))
        assert emptied.height == right.filter(held).height
        assert emptied.select(held.all()).item()
    assert evidence.snapshots.height == right.height


@pytest.mark.parametrize("where", [pl.col("reader") == "reader-0", pl.col("read_at").dt.day() > 14])
def test_a_slip_may_cover_a_reader_or_some_weeks_of_a_file(where):
    spoiled = in_month(*TRIMS, depot=None, rows=where)(lambda x: x / 100)(healthy())
    evidence = judged(spoiled)
    wrong = spoiled.filter(where, pl.col("read_at").dt.strftime("%Y-%m") == MONTH).select("vehicle_id", "read_at")
    emptied = evidence.snapshots.filter(pl.col("trim_1").is_null()).select("vehicle_id", "read_at")
    assert {batch[2] for batch in batches(evidence)} == {"fraction"}
    assert emptied.sort("vehicle_id", "read_at").rows() == wrong.sort("vehicle_id", "read_at").rows()


def test_one_reading_each_of_few_vehicles_with_a_decimal_point_lost_is_held_by_the_steps_it_leaves_out():
    stepped = healthy().with_columns(knock=(pl.col("knock") / 0.25).round() * 0.25)
    begun = (pl.col("depot") == "Quay") & (pl.col("vehicle_id") < "v010")
    last = stepped.filter(pl.col("read_at") == pl.col("read_at").max().over("vehicle_id"), begun)
    wrong = last.with_columns(pl.Series("knock", [-100.0, -50.0, 25.0, 50.0, 50.0]), reader=pl.lit("reader-9"))
    evidence = judged(pl.concat([stepped, wrong.with_columns(pl.col("read_at").dt.offset_by("30d"))]), step=0.25)
    lost = "decimal point lost: a hundred times too large"
    assert [batch[1:] for batch in batches(evidence)] == [("Quay", lost, 5)]


@pytest.mark.parametrize("first", [True, False])
def test_a_slip_of_the_first_or_the_last_file_is_held(first):
    right = healthy()
    months = right["read_at"].dt.strftime("%Y-%m")
    wrong = (months == (months.min() if first else months.max())) & (right["depot"] == "Quay")
    spoiled = right.with_columns(pl.when(wrong).then(pl.col(code) / 100).otherwise(code).alias(code) for code in TRIMS)
    evidence = judged(spoiled)
    assert [batch[1:3] for batch in batches(evidence)] == [("Quay", "fraction")]
    assert evidence.snapshots["trim_1"].null_count() == int(wrong.sum())


def test_a_slip_that_goes_on_for_half_of_the_record_is_held_file_by_file():
    wrong = (pl.col("read_at").dt.month() >= 4) & (pl.col("depot") == "Quay")
    spoiled = healthy().with_columns(pl.when(wrong).then(pl.col(c) / 100).otherwise(c).alias(c) for c in TRIMS)
    evidence = judged(spoiled)
    assert {batch[2] for batch in batches(evidence)} == {"fraction"}
    assert evidence.snapshots["trim_1"].null_count() == spoiled.filter(wrong).height


def test_odometers_in_miles_for_two_months_running_are_held_in_both():
    wrong = pl.col("read_at").dt.month().is_in([4, 5]) & (pl.col("depot") == "Quay")
    right = healthy()
    in_miles = pl.when(wrong).then((pl.col("odometer_km") / 1.609344).round(1)).otherwise("odometer_km")
    evidence = judged(right.with_columns(odometer_km=in_miles))
    assert [batch[2] for batch in batches(evidence)] == ["mi", "mi"]
    assert evidence.snapshots["odometer_km"].null_count() == right.filter(wrong).height


def test_a_right_month_between_others_in_inches_of_mercury_is_not_held():
    right = healthy()
    wrong = pl.col("read_at").dt.month().is_in([2, 3, 5, 6]) & (pl.col("depot") == "Quay")
    inches = pl.when(wrong).then((pl.col("baro_kpa") / 3.386389).round(2)).otherwise("baro_kpa")
    evidence = judged(right.with_columns(baro_kpa=inches))
    assert {batch[2] for batch in batches(evidence)} <= {"inHg"}
    assert evidence.held.readings.join(right.filter(wrong), on=["vehicle_id", "read_at"], how="anti").is_empty()


REAL = {
    "three odd vehicles": in_month("trim_1", rows=pl.col("vehicle_id") < "v005")(lambda x: x / 100),
    "defects of three vehicles that lie ten times as far from neutral": in_month(
        *TRIMS, rows=pl.col("vehicle_id") < "v005"
    )(lambda x: x + 9 * x.median().over("vehicle_id")),
    "a new fuel": in_month(*TRIMS)(lambda x: x + 3.0),
    "a strong frost": in_month("ambient_c", depot=None)(lambda x: x - 25),
    "a calibration that moves all": in_month(*UNITS)(lambda x: x * 1.3 + 0.2),
    "learned values set back and half learned again": in_month(*UNITS)(lambda x: (x * 0.4).round(4)),
    "learned values set back": in_month(*UNITS)(lambda x: x * 0.0),
    "one vehicle's column near zero": in_month("trim_1", rows=pl.col("vehicle_id") == "v000")(lambda x: x / 100),
}  # fmt: skip


@pytest.mark.parametrize("name", REAL)
def test_what_really_changed_is_not_held(name):
    assert batches(judged(REAL[name](healthy()))) == []


def test_a_healthy_fleet_is_not_held():
    for seed in (1, 2):
        evidence = judged(healthy(seed=seed))
        assert batches(evidence) == []
        assert evidence.held.readings.is_empty()


def test_what_is_held_does_not_depend_on_the_order_of_loads(fleet, tmp_path):
    from pipelines.intake.load import load  # noqa: PLC0415
    from pipelines.store.folder import Store  # noqa: PLC0415

    one = fleet.store(in_month(*TRIMS)(lambda x: x / 100)(healthy()))
    drops = sorted((tmp_path / "drops-1").iterdir())
    other = Store(tmp_path / "other")
    for drop in reversed(drops):
        load(other, [drop])
    first, second = evidence_of(one), evidence_of(other)
    assert first.held.batches.rows() == second.held.batches.rows()
    assert first.snapshots.equals(second.snapshots)


def test_nothing_later_than_as_of_is_looked_at(fleet):
    spoiled = in_month(*TRIMS)(lambda x: x / 100)(healthy())
    as_of = pl.Series([f"{MONTH}-20T00:00:00+00:00"]).str.to_datetime(time_zone="UTC")[0]
    earlier = evidence_of(fleet.store(spoiled.filter(pl.col("read_at") <= as_of)), as_of=as_of)
    at_once = evidence_of(fleet.store(spoiled), as_of=as_of)
    assert at_once.snapshots.equals(earlier.snapshots)
    assert np.array_equal(at_once.held.batches["readings"], earlier.held.batches["readings"])
