from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Evidence
from pipelines.history.fault_events import CLEARING, HANDS_ON
from pipelines.history.reconstruct import reconstruct
from pipelines.history.since_reading import since_reading

CATALOGUE = [
    {"code": "pressure", "component": "pump", "fault_high": "P0087"},
    {"code": "trim_1", "component": "mixture", "bank": 1, "fault_high": "P0171"},
    {"code": "trim_2", "component": "mixture", "bank": 2, "fault_high": "P0174"},
]
CODES = [row["code"] for row in CATALOGUE]


@pytest.fixture
def since(evidence, weekly, day):
    """Work since the newest of four weekly readings, of these rows of work."""

    def make(*work):
        snapshots = weekly("v", [10.0 * week for week in range(4)], **dict.fromkeys(CODES, 1.0))
        rows = [{"vehicle_id": "v", "done_at": day(22), **row} for row in work]
        told = since_reading(evidence(snapshots=snapshots, corrections=CATALOGUE, work=rows))
        return told, told.corrections["correction"].to_list()

    return make


def test_a_repair_leaves_the_corrections_of_its_part_without_meaning(since, day):
    told, left_out = since({"kind": "repair", "component": "pump"})
    assert left_out == ["pressure"]
    assert told.codes["code"].to_list() == ["P0087"]
    assert told.worked_on().rows() == [("v", day(22))]


def test_a_repair_on_a_bank_leaves_the_other_alone(since):
    assert since({"kind": "repair", "component": "mixture", "bank": 2})[1] == ["trim_2"]


@pytest.mark.parametrize("kind", ["reset", "module_replacement", "programming"])
def test_what_sets_back_all_that_was_learned_leaves_nothing_with_a_meaning(since, kind):
    assert since({"kind": kind})[1] == sorted(CODES)
    assert since({"kind": "repair", "component": "pump", "reset_done": True})[1] == sorted(CODES)


def test_a_repair_that_nobody_says_what_of_leaves_nothing_with_a_meaning(since):
    assert since({"kind": "repair"})[1] == sorted(CODES)


def test_a_repair_of_a_part_that_no_correction_tells_of_touches_none(since, day):
    told, left_out = since({"kind": "replacement", "component": "seat"})
    assert (left_out, told.worked_on()["worked_on_at"].to_list()) == ([], [day(22)])


@pytest.mark.parametrize("kind", ["inspection", "breakdown", "power_loss"])
def test_an_inspection_changes_nothing(since, kind):
    told, left_out = since({"kind": kind, "component": "pump"})
    assert (told.work.height, left_out) == (0, [])


def test_cleared_codes_leave_the_readings_as_they_are(since):
    told, left_out = since({"kind": "codes_cleared"})
    assert (left_out, told.work["clears"].to_list()) == ([], [True])


@given(when=st.floats(0.0, 21.0), kind=st.sampled_from([*HANDS_ON, *CLEARING]))
def test_work_before_the_newest_reading_is_none_since(since_factory, when, kind):
    told = since_factory({"kind": kind, "done_at": when})
    assert told.work.is_empty()
    assert told.corrections.is_empty()
    assert told.codes.is_empty()


@pytest.fixture(scope="module")
def since_factory():
    start = datetime(2031, 1, 6, 8, tzinfo=UTC)

    def make(row):
        frames = {name: table.empty() for name, table in drop_tables().items() if name != "readings"}
        work = {"vehicle_id": "v", **row, "done_at": start + timedelta(days=row["done_at"])}
        frames["work"] = pl.concat([frames["work"], pl.DataFrame([work])], how="diagonal_relaxed")
        read = pl.DataFrame({"vehicle_id": ["v"], "read_at": [start + timedelta(days=21)], "pressure": [1.0]})
        frames["snapshots"] = pl.concat([frames["snapshots"], read], how="diagonal_relaxed")
        return since_reading(Evidence(as_of=start + timedelta(days=30), **frames))

    return make


def test_a_code_cleared_since_it_was_last_looked_for_no_longer_stands(evidence, weekly, day):
    snapshots = weekly("v", [10.0 * week for week in range(3)])
    faults = [{"vehicle_id": "v", "read_at": day(14), "code": "P0171", "confirmed": True}]

    def ended(*work):
        rows = [{"vehicle_id": "v", "done_at": day(15), **row} for row in work]
        return reconstruct(evidence(snapshots=snapshots, faults=faults, work=rows)).fault_events.row(0, named=True)

    assert (ended()["ended"], ended()["ended_at"]) == ("open", None)
    assert ended({"kind": "repair", "component": "pump"})["ended"] == "open"  # the memory was not emptied
    cleared = ended({"kind": "codes_cleared"})
    assert (cleared["ended"], cleared["ended_at"]) == ("cleared", day(15))
    both = ended({"kind": "codes_cleared"}, {"kind": "repair", "component": "pump"})
    assert (both["ended"], both["ended_at"]) == ("repaired", day(15))
