"""What a person decides of a batch: the tables are those of the right file, or of readings that were never held."""

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.analyse import analyse
from pipelines.entries.entry import Entry
from pipelines.settings import Settings
from pipelines.store.entries import append
from pipelines.store.held_answers import answer_beforehand

from .conftest import UNITS, batches, decide, evidence_of, healthy, in_month, judged

TRIMS = [code for code, unit in UNITS.items() if unit == "%"]
FRACTIONS = in_month(*TRIMS)(lambda x: x / 100)
MILES = in_month("odometer_km")(lambda x: x / 1.609344)


def only_batch(evidence) -> str:
    (batch,) = evidence.held.batches.filter(pl.col("decision") != "leave_out")["batch_id"]
    return str(batch)


def tables_of(evidence) -> dict[str, pl.DataFrame]:
    tables = analyse(evidence, settings=Settings()).tables
    return {name: frame for name, frame in tables.items() if not name.startswith("held_")}


def test_converted_readings_give_every_table_of_the_right_file(fleet):
    right = healthy()
    expected = tables_of(evidence_of(fleet.store(right)))
    store = fleet.store(FRACTIONS(right))
    decide(store, "convert", only_batch(evidence_of(store)))
    converted = evidence_of(store, as_of=right["read_at"].max())
    for name, frame in tables_of(converted).items():
        assert_frame_equal(frame, expected[name], check_exact=True)
    assert converted.held.batches["decision"].to_list() == ["convert"]
    assert converted.held.batches["decided_at"].null_count() == 0


@pytest.mark.parametrize("spoil", [FRACTIONS, MILES], ids=["fractions", "miles"])
def test_readings_as_decided(fleet, spoil):
    right = healthy()
    store = fleet.store(spoil(right))
    as_of = right["read_at"].max()
    held = evidence_of(store)
    batch = only_batch(held)
    decide(store, "keep", batch)
    kept = evidence_of(store, as_of=as_of)
    wrong = spoil(right).sort("vehicle_id", "read_at")
    for name in (*TRIMS, "odometer_km"):
        assert kept.snapshots[name].to_list() == wrong[name].cast(kept.snapshots.schema[name]).to_list()
    convert = decide(store, "convert", batch)
    converted = evidence_of(store, as_of=as_of)
    for name in TRIMS:
        assert converted.snapshots[name].to_list() == right[name].cast(pl.Float32).to_list()
    assert (converted.snapshots["odometer_km"] - right["odometer_km"]).abs().max() < 1e-6
    append(store, [Entry(kind=None, who="tester", withdraws=convert)])
    assert_frame_equal(evidence_of(store, as_of=as_of).snapshots, kept.snapshots)
    decide(store, "leave_out", batch)
    left_out = evidence_of(store, as_of=as_of)
    assert_frame_equal(left_out.snapshots, held.snapshots)
    assert left_out.held.batches["decision"].to_list() == ["leave_out"]


def test_a_decision_counts_for_earlier_times_and_not_for_what_was_known_before(fleet):
    right = healthy()
    store = fleet.store(FRACTIONS(right))
    midway = pl.Series(["2030-04-12T00:00:00+00:00"]).str.to_datetime(time_zone="UTC")[0]
    before = evidence_of(store, as_of=midway)
    decide(store, "convert", only_batch(evidence_of(store)))
    converted = evidence_of(store, as_of=midway).snapshots
    assert (
        converted["trim_1"].to_list() == right.filter(pl.col("read_at") <= midway)["trim_1"].cast(pl.Float32).to_list()
    )
    loaded_at = pl.Series(["2029-01-01T00:00:00+00:00"]).str.to_datetime(time_zone="UTC")[0]
    assert before.held.batches["decision"].to_list() == ["open"]
    assert loaded_at < midway


def test_a_vehicle_whose_newest_readings_are_held_shows_its_last_good_one(fleet):
    right = healthy().filter(pl.col("read_at").dt.month() <= 4)
    evidence = evidence_of(fleet.store(FRACTIONS(right)))
    tables = tables_of(evidence)
    good = right.filter(pl.col("read_at").dt.month() < 4, pl.col("depot") == "Quay")
    states = tables["vehicle_state"].join(good.group_by("vehicle_id").agg(pl.col("read_at").max()), on="vehicle_id")
    assert states.height == 8
    assert states.select((pl.col("last_read_at") == pl.col("read_at")).all()).item()
    assert states["held_readings"].min() >= 3
    held = tables["correction_state"].filter(pl.col("vehicle_id").is_in(states["vehicle_id"].implode()))
    assert set(held.filter("held")["correction"]) == set(TRIMS)
    assert "newest readings are withheld until decided; the last good one is of" in states["urgency_reason"][0]
    assert "not_read" not in held["state"].to_list()
    last = good.sort("read_at").group_by("vehicle_id").agg(pl.col("trim_1").last().cast(pl.Float32).cast(pl.Float64))
    shown = held.filter(pl.col("correction") == "trim_1").join(last, on="vehicle_id")
    assert shown["value"].to_list() == shown["trim_1"].to_list()


def test_a_reading_of_which_one_column_is_held_is_a_reading():
    right = healthy()
    last = pl.col("read_at").dt.strftime("%Y-%m") == right["read_at"].max().strftime("%Y-%m")
    of_depot = last & (pl.col("depot") == "Quay")
    one = judged(right.with_columns(knock=pl.when(of_depot).then(pl.col("knock") * 10).otherwise("knock"))).held
    assert one.readings.height == right.filter(of_depot).height
    assert not one.readings["corrections"].any()
    assert set(one.newest["correction"]) == {"knock"}
    trims = judged(right.with_columns(pl.when(of_depot).then(pl.col(c) / 100).otherwise(c).alias(c) for c in TRIMS))
    assert trims.held.readings["corrections"].all()


def test_nothing_is_converted_by_itself(fleet):
    right = healthy()
    evidence = evidence_of(fleet.store(FRACTIONS(right)))
    assert batches(evidence)[0][2] == "fraction"
    assert evidence.snapshots["trim_1"].drop_nulls().len() == right.height - evidence.held.readings.height


@pytest.mark.parametrize(
    ("place", "counts"), [("Quay", True), ("Ridge", False), ("reader-0", False), ("reader-1", True)]
)
def test_a_depots_batches_can_be_answered_beforehand_and_asked_about_again(fleet, place, counts):
    right = healthy()
    one_reader = in_month("reader")(lambda _: pl.lit("reader-1"))
    store = fleet.store(FRACTIONS(one_reader(right)))
    answer_beforehand(store, "fraction", place, "convert")
    evidence = evidence_of(store)
    assert evidence.held.batches["decision"].to_list() == ["convert" if counts else "open"]
    if counts:
        assert evidence.snapshots["trim_1"].to_list() == right["trim_1"].cast(pl.Float32).to_list()
        answer_beforehand(store, "fraction", place, "ask")
        assert evidence_of(store).held.batches["decision"].to_list() == ["open"]
