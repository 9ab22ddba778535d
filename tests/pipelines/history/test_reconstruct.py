import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Evidence
from pipelines.history.reconstruct import reconstruct

WEEKS = 30


@pytest.fixture
def fleet(evidence, weekly, learned, catalogue, day):
    """Five vehicles with restarts, a code, a replaced part and readings without a clock."""
    snapshots, faults, work = [], [], []
    for i in range(5):
        hours = [100.0 + 9.0 * week for week in range(WEEKS)]
        cut = 8 + 3 * i
        hours[cut:] = [value - hours[cut] + 5.0 for value in hours[cut:]]
        hours[3 + i] = None
        snapshots += weekly(f"v{i}", hours, odometer_km=[1e4 + 250.0 * week for week in range(WEEKS)],
                            **learned(WEEKS, seed=i, back=(cut,)))  # fmt: skip
        faults += [{"vehicle_id": f"v{i}", "read_at": day(7 * week), "code": "P0300", "confirmed": True}
                   for week in (5 + i, 6 + i, 20)]  # fmt: skip
        work.append({"vehicle_id": f"v{i}", "done_at": day(7 * 22 + i), "kind": "replacement", "component": "pump"})
    return evidence(snapshots=snapshots, faults=faults, work=work, corrections=catalogue)


def until(evidence: Evidence, at) -> Evidence:
    return replace(
        evidence,
        as_of=at,
        snapshots=evidence.snapshots.filter(pl.col("read_at") <= at),
        faults=evidence.faults.filter(pl.col("read_at") <= at),
        work=evidence.work.filter(pl.col("done_at") <= at),
    )


def test_what_was_read_later_changes_no_earlier_reading(fleet, day):
    whole, part = reconstruct(fleet), reconstruct(until(fleet, day(100)))
    assert_frame_equal(whole.readings.filter(pl.col("read_at") <= day(100)), part.readings, check_exact=True)
    events = whole.fault_events.filter(pl.col("found_at") <= day(100))
    assert_frame_equal(
        events.select("vehicle_id", "code", "found_at"), part.fault_events.select("vehicle_id", "code", "found_at")
    )


def test_what_was_told_of_a_closed_block_is_changed_by_nothing_later(evidence, weekly, learned, catalogue, day):
    weeks, closed = 45, 26  # a block closes 26 weeks after the fleet's first reading, another after 39
    rng = np.random.default_rng(1)
    snapshots = []
    for i in range(12):
        lost = sorted(rng.choice(np.arange(4, weeks), 3, replace=False))
        wiped = tuple(week for week in lost if rng.random() < 0.5)  # some of the losses, so that the habit is doubtful
        since = [week - max([0, *(at for at in lost if at <= week)]) for week in range(weeks)]
        clock = [10.0 * gone if i else None for gone in since]  # the first's hours come from the family's usual speed
        pace = rng.uniform(200, 600, weeks).cumsum().tolist()
        snapshots += weekly(f"v{i:02d}", clock, odometer_km=pace, **learned(weeks, seed=i, back=wiped, share=0.6))
    told = {}
    for week in (closed, 32, 40, weeks):
        known = [row for row in snapshots if row["read_at"] < day(7 * week)]
        history = reconstruct(evidence(snapshots=known, corrections=catalogue))
        told[week] = (
            history.epochs.filter(pl.col("first_read_at") < day(7 * closed)),
            history.readings.filter(pl.col("read_at") < day(7 * closed)),
        )
    assert told[closed][0].height > 12
    for week in (32, 40, weeks):
        for before, after in zip(told[closed], told[week], strict=True):
            assert_frame_equal(before, after, check_exact=True)


def test_the_evidence_is_left_as_it_was(fleet):
    before = fleet.snapshots.clone()
    reconstruct(fleet)
    assert_frame_equal(fleet.snapshots, before)


def test_a_fleet_without_a_reading_has_an_empty_history(evidence):
    told = reconstruct(evidence(vehicles=[{"vehicle_id": "v", "engine_family": "rowan"}]))
    assert all(frame.is_empty() for frame in (told.readings, told.epochs, told.fault_events, told.notices))


if folder := os.environ.get("LEEWAY_TURBOFAN"):

    def _rows(table: str) -> pl.DataFrame:
        schema = drop_tables()[table].schema
        files = sorted(Path(folder).rglob(f"{table}*.csv"))
        if not files:
            return drop_tables()[table].empty()
        rows = pl.concat([pl.read_csv(file, try_parse_dates=True, infer_schema_length=None) for file in files])
        kept = [pl.col(name).cast(schema.get(name, pl.Float32())) for name in rows.columns]
        return pl.concat([drop_tables()[table].empty(), rows.select(kept)], how="diagonal").sort(
            drop_tables()[table].key
        )

    def test_run_to_failure_engines_fail_once_at_their_last_cycle_and_count_one_hour_a_cycle():
        tables = {table: _rows(table) for table in drop_tables() if table != "readings"}
        told = reconstruct(Evidence(as_of=tables["snapshots"]["read_at"].max(), **tables))
        last = (
            tables["snapshots"].group_by("vehicle_id").agg(pl.col("read_at").max(), cycles=pl.len()).sort("vehicle_id")
        )
        assert told.fault_events["vehicle_id"].to_list() == last["vehicle_id"].to_list()
        assert told.fault_events["found_at"].to_list() == last["read_at"].to_list()
        assert set(told.fault_events["ended"]) == {"open"}
        hours = told.readings.group_by("vehicle_id").agg(pl.col("hours").max()).sort("vehicle_id")
        assert hours["hours"].to_list() == [cycles - 1 for cycles in last["cycles"]]
        assert set(told.epochs["reason"]) == {"first_seen"}
        assert told.notices.is_empty()
