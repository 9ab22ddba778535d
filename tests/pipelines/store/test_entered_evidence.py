"""What people entered counts in the evidence of the next analysis, and in none of before it was entered."""

from datetime import UTC, datetime

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.catalogue.tables import drop_tables
from pipelines.entries.entry import Entry
from pipelines.errors import SettingError
from pipelines.intake.load import load
from pipelines.store.entering import enter
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.newest import refuse_beyond
from pipelines.workplan.urgency import signed_off

TYPED = '{"read_at": "2031-01-20T08:00:00Z", "ltft_b1_idle": 3.5, "ltft_b1_low": 1.25, "odometer_km": 1800}'
AS_A_DROP = (
    "vehicle_id,read_at,ltft_b1_idle,ltft_b1_low,odometer_km\nv1,2031-01-20T08:00:00Z,3.5,1.25,1800\n"
)  # fmt: skip


def at(day: int, hour: int = 12) -> datetime:
    return datetime(2031, 1, day, hour, tzinfo=UTC)


def put(store, kind, detail, day=21, *, value=None, vehicle_id="v1", withdraws=None):
    entry = Entry(who="a", kind=kind, vehicle_id=vehicle_id, value=value, detail=detail, withdraws=withdraws)
    (became,) = enter(store, [entry], entered_at=at(day))
    assert became.refusal is None
    return became.entry_id


def reading(store, detail=TYPED, day=21, **words):
    return put(store, "reading", detail, day, **words)


def done(store, kind="replacement", component="maf", day=21, done_at="2031-01-21T09:00:00Z"):
    component = f', "component": "{component}"' if component else ""
    return put(store, "visit", f'{{"kind": "{kind}", "done_at": "{done_at}"{component}}}', day, value="done")


def test_a_typed_reading_gives_the_snapshots_that_a_drop_with_it_would_have_given(store, small_drop, drop):
    load(store, [small_drop])
    reading(store)
    typed = read_evidence(store).snapshots
    load(store, [drop("more", snapshots=AS_A_DROP)])
    assert_frame_equal(read_evidence(store).snapshots, typed)  # together they are one
    assert typed.columns == [*drop_tables()["snapshots"].schema, "ltft_b1_idle", "ltft_b1_low"]
    assert typed.filter(pl.col("vehicle_id") == "v1")["ltft_b1_low"].to_list() == [None, None, 1.25]


def test_a_cell_of_a_drop_stands_before_one_typed_for_the_same_moment_and_empty_ones_are_filled(store, small_drop):
    load(store, [small_drop])
    reading(store, '{"read_at": "2031-01-13T08:00:00Z", "ltft_b1_idle": 9, "coolant_c": 88}')
    last = read_evidence(store).snapshots.filter(pl.col("vehicle_id") == "v1").row(-1, named=True)
    assert (last["ltft_b1_idle"], last["coolant_c"], last["odometer_km"]) == (2.5, 88.0, 1400.0)


def test_a_typed_value_that_no_module_can_hold_counts_as_not_read(store, small_drop):
    load(store, [small_drop])
    reading(store, '{"read_at": "2031-01-20T08:00:00Z", "ltft_b1_idle": 32767}')
    assert read_evidence(store).snapshots.filter(pl.col("vehicle_id") == "v1")["ltft_b1_idle"].to_list()[-1] is None


@pytest.mark.parametrize(
    ("brought", "rows"),
    [
        ("2031-01-21T20:00:00Z,cleaning,maf", 1),  # a drop brings the same work again: counted once
        ("2031-01-22T09:00:01Z,replacement,maf", 2),
        ("2031-01-21T09:00:00Z,replacement,injectors", 2),
        ("2031-01-21T09:00:00Z,reset,", 2),  # without a component other work of that day is other work
    ],
)
def test_work_that_a_drop_brings_again_is_counted_once(store, small_drop, drop, brought, rows):
    load(store, [small_drop, drop("work", work=f"vehicle_id,done_at,kind,component\nv1,{brought}\n")])
    done(store)
    found = read_evidence(store, as_of=at(30)).work
    assert found.schema == drop_tables()["work"].schema
    assert found.height == rows
    assert brought.split(",")[1] in found["kind"].to_list()  # the drop's row stays


def test_work_without_a_component_is_the_same_where_its_kind_is(store, small_drop, drop):
    load(store, [small_drop, drop("work", work="vehicle_id,done_at,kind,component\nv1,2031-01-21T10:00Z,reset,\n")])
    done(store, "reset", "")
    done(store, "codes_cleared", "")
    assert read_evidence(store, as_of=at(30)).work["kind"].sort().to_list() == ["codes_cleared", "reset"]


def test_what_was_entered_later_than_as_of_or_known_at_is_not_looked_at(store, small_drop):
    load(store, [small_drop], loaded_at=at(14))
    before = read_evidence(store, as_of=at(20))
    entry = reading(store, day=25)
    done(store, day=25)
    assert_frame_equal(read_evidence(store, as_of=at(20)).snapshots, before.snapshots)
    assert read_evidence(store, as_of=at(24)).work.is_empty()
    assert read_evidence(store, as_of=at(26)).work.height == 1
    assert read_evidence(store, as_of=at(26), known_at=at(24)).work.is_empty()
    assert read_evidence(store, as_of=at(26)).snapshots.height == 4
    put(store, "reading", None, 28, vehicle_id=None, withdraws=entry)
    assert read_evidence(store, as_of=at(26)).snapshots.height == 3  # a withdrawal counts at any time
    assert read_evidence(store, as_of=at(26), known_at=at(26)).snapshots.height == 4


def test_an_analysis_without_as_of_looks_at_the_newest_reading_or_entry(store, small_drop):
    load(store, [small_drop])
    assert read_evidence(store).as_of == at(13, 8)
    put(store, "note", None, 12, value="before the last reading")
    assert read_evidence(store).as_of == at(13, 8)
    entry = reading(store, day=14)  # typed on a machine whose clock is behind
    assert read_evidence(store).as_of == at(20, 8)
    refuse_beyond(store, at(21, 8))
    with pytest.raises(SettingError, match="newest row"):
        refuse_beyond(store, at(21, 9))
    put(store, "reading", None, 15, vehicle_id=None, withdraws=entry)
    assert read_evidence(store).as_of == at(15)


def test_an_entry_of_a_vehicle_that_is_not_asked_for_or_not_named_yet_stays_out(store, small_drop, drop):
    load(store, [small_drop, drop("early", snapshots="vehicle_id,read_at\nv9,2031-01-06T08:00:00Z\n")])
    reading(store)
    reading(store, vehicle_id="v9")
    assert set(read_evidence(store).snapshots["vehicle_id"]) == {"v1", "v2"}
    assert read_evidence(store, vehicle_ids=["v2"]).snapshots.height == 1
    assert read_evidence(store, vehicle_ids=["v1"]).snapshots.height == 3


def test_a_signed_off_check_reaches_the_analysis_from_when_it_was_entered(store, small_drop):
    load(store, [small_drop])
    put(store, "safe", None, day=21, value="signed_off")
    assert read_evidence(store).entries.select("vehicle_id", "value").rows() == [("v1", "signed_off")]
    assert read_evidence(store, as_of=at(20)).entries.is_empty()


def test_a_signed_off_check_speaks_of_the_readings_that_were_loaded_by_then_whatever_their_clock(store, small_drop):
    load(store, [small_drop], loaded_at=at(2))
    put(store, "safe", None, day=3, value="signed_off")
    known = read_evidence(store)
    newest = known.snapshots.filter(vehicle_id="v1")["read_at"].max()
    assert newest > at(3)
    assert known.entries["seen_to"].to_list() == [newest]
    assert signed_off(known)["signed_off_at"].item() > newest
    later = Store(store.path.with_name("later"))
    load(later, [small_drop], loaded_at=at(4))
    put(later, "safe", None, day=3, value="signed_off")
    assert signed_off(read_evidence(later))["signed_off_at"].to_list() == [at(3)]
