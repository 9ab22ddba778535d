"""Readings that are another vehicle's, old values handed on, single misread values."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from tests.pipelines.held.conftest import MONTH, START, UNITS, batches, decide, evidence_of, healthy, judged

CODES = list(UNITS)
IN_MONTH = pl.col("read_at").dt.strftime("%Y-%m") == MONTH


def exchanged(frame: pl.DataFrame, one: str, two: str, where: pl.Expr) -> pl.DataFrame:
    swapped = pl.col("vehicle_id").replace({one: two, two: one})
    depot = pl.col("vehicle_id").str.slice(1).cast(pl.Int32) % 2
    named = frame.with_columns(pl.when(where).then(swapped).otherwise("vehicle_id").alias("vehicle_id"))
    return named.with_columns(depot=pl.when(depot == 0).then(pl.lit("Quay")).otherwise(pl.lit("Ridge")))


@pytest.mark.parametrize("columns", [["odometer_km", "ignition_hours"], []], ids=["with counters", "without"])
def test_two_vehicles_exchanged_for_a_month_are_held_and_changed_back(fleet, columns):
    right = healthy().drop([name for name in ("odometer_km", "ignition_hours") if name not in columns])
    store = fleet.store(exchanged(right, "v001", "v004", IN_MONTH))
    held = evidence_of(store)
    assert batches(held) == [(f"snapshots-{MONTH}.csv", "Ridge", "exchanged with v004", 2)]
    wrong = right.filter(IN_MONTH, pl.col("vehicle_id").is_in(["v001", "v004"]))
    assert held.held.readings.height == wrong.height
    assert held.snapshots.height == right.height - wrong.height
    decide(store, "convert", held.held.batches["batch_id"][0])
    as_of = right["read_at"].max()
    expected = evidence_of(fleet.store(right), as_of=as_of)
    assert_frame_equal(evidence_of(store, as_of=as_of).snapshots, expected.snapshots)


def foreign(frame: pl.DataFrame, module: bool) -> tuple[pl.DataFrame, pl.DataFrame]:
    """v003 reads from May on what v006's module had learned, and comes back to its own over five weeks."""
    since = START + timedelta(days=112)
    mine = frame.filter(pl.col("vehicle_id") == "v003")
    levels = frame.group_by("vehicle_id").agg(pl.col(CODES).median())
    own, other = (levels.filter(pl.col("vehicle_id") == v).select(CODES).row(0) for v in ("v003", "v006"))
    weeks = ((mine["read_at"] - since).dt.total_days() // 7).to_numpy()
    left = np.where(weeks >= 0, np.clip(1 - np.maximum(weeks - 2, 0) / 3, 0, 1), 0.0)
    changed = mine.with_columns(
        pl.Series(code, mine[code].to_numpy() + left * (b - a)).round(4)
        for code, a, b in zip(CODES, own, other, strict=True)
    )
    work = pl.DataFrame({"vehicle_id": ["v003"], "done_at": [since - timedelta(days=1)], "component": "ecu"})
    work = work.with_columns(kind=pl.lit("module_replacement" if module else "inspection"))
    return pl.concat([frame.filter(pl.col("vehicle_id") != "v003"), changed]), work


def test_a_module_with_another_vehicles_history_is_held_until_it_has_learned_anew():
    frame, work = foreign(healthy(), module=True)
    evidence = judged(frame, work=work)
    assert {batch[1:] for batch in batches(evidence)} == {("Ridge", "the history of v006", 1)}
    assert set(evidence.held.batches["answers"]) == {"keep|leave_out"}
    held = evidence.held.readings
    assert set(held["vehicle_id"]) == {"v003"}
    assert 3 <= held.height <= 5
    assert (held["read_at"].min() - START).days >= 112


def test_a_reader_that_repeats_old_values_is_held_and_one_value_that_stands_still_is_not():
    right = healthy()
    first = right.filter(IN_MONTH, pl.col("reader") == "reader-1").sort("read_at").group_by("vehicle_id").first()
    stale = right.join(first.select("vehicle_id", *CODES, old_at="read_at"), on="vehicle_id", how="left", suffix=" old")
    wrong = IN_MONTH & (pl.col("reader") == "reader-1") & (pl.col("read_at") > pl.col("old_at"))
    repeated = stale.with_columns(
        pl.when(wrong).then(pl.col(f"{code} old")).otherwise(code).alias(code) for code in CODES
    )
    still = (pl.col("vehicle_id") == "v000") & (pl.col("read_at") > START + timedelta(days=60))
    repeated = repeated.with_columns(trim_1=pl.when(still).then(2.0).otherwise("trim_1"))
    evidence = judged(repeated.select(right.columns))
    assert {batch[2] for batch in batches(evidence)} == {"old values repeated"}
    assert evidence.held.readings.height == repeated.filter(wrong).height


def test_single_misread_values_are_left_out_and_listed_and_wait_for_nothing():
    right = healthy().sort("vehicle_id", "read_at")
    rng = np.random.default_rng(3)
    rows = rng.choice(16, 8, replace=False) * 27 + rng.integers(6, 20, 8)
    wrong = right.with_columns(trim_1=right["trim_1"].scatter(rows, -20.0), rail=right["rail"].scatter(rows[:4], 55.0))
    evidence = judged(wrong)
    assert batches(evidence) == []
    listed = evidence.held.batches
    assert set(listed["looks_like"]) == {"single misread values"}
    assert set(listed["decision"]) == {"leave_out"}
    empty = evidence.snapshots.with_row_index().filter(pl.col("trim_1").is_null())["index"].to_list()
    assert set(rows.tolist()) <= set(empty)
    assert len(empty) <= 9
