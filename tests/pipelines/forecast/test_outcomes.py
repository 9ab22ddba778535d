from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.forecast.censoring import censoring_weights, repair_weights
from pipelines.forecast.outcomes import Outcomes, Stamps, days, outcomes, record_of


def followed(fault, repair=np.inf, unseen=1000.0, found_late=False) -> Outcomes:
    columns = np.broadcast_arrays(*(np.atleast_1d(np.asarray(x)) for x in (fault, repair, unseen, found_late)))
    return Outcomes(fault=columns[0] * 1.0, repair=columns[1] * 1.0, unseen=columns[2] * 1.0, found_late=columns[3])


@pytest.mark.parametrize(
    ("case", "known", "fault"),
    [
        (followed(20.0), 1, 1),
        (followed(40.0), 1, 0),
        (followed(np.inf), 1, 0),
        (followed(20.0, repair=10.0), 0, 0),  # repaired first: what would have come is not known
        (followed(np.inf, repair=10.0), 0, 0),
        (followed(np.inf, repair=40.0), 1, 0),
        (followed(20.0, repair=25.0), 1, 1),
        (followed(np.inf, unseen=12.0), 0, 0),  # retired or not read since
        (followed(20.0, found_late=True), 0, 0),  # a fault stood already, unknown to anyone
    ],
)
def test_an_outcome_within_30_days_is_a_fault_none_or_not_known(case, known, fault):
    assert [int(column[0]) for column in case.within(30)] == [known, fault]


@given(
    st.lists(st.tuples(st.integers(0, 3), st.floats(0, 100)), max_size=30),
    st.lists(st.tuples(st.integers(0, 3), st.floats(0, 100)), min_size=1, max_size=10),
)
def test_stamps_find_what_a_search_by_hand_finds(happened, asked):
    happened = sorted((vehicle, round(at, 2)) for vehicle, at in happened)
    asked = [(vehicle, round(at, 2) + 0.005) for vehicle, at in asked]
    stamps = Stamps(
        vehicle=np.array([vehicle for vehicle, _ in happened], dtype=np.int64),
        at=np.array([at for _, at in happened], dtype=np.float64),
    )
    vehicle, at = np.array([v for v, _ in asked]), np.array([t for _, t in asked])
    for place, (v, t) in enumerate(asked):
        mine = [time for owner, time in happened if owner == v]
        assert stamps.first_after(vehicle, at)[place] == min((x for x in mine if x > t), default=np.inf)
        assert stamps.last_until(vehicle, at)[place] == max((x for x in mine if x <= t), default=-np.inf)
        assert stamps.count_until(vehicle, at)[place] == sum(x <= t for x in mine)


def test_repairs_that_pick_the_sick_are_undone_by_the_weights():
    rng = np.random.default_rng(8)
    sick = rng.random(20_000) < 0.2
    fault = np.where(rng.random(20_000) < np.where(sick, 0.5, 0.02), rng.uniform(0, 30, 20_000), np.inf)
    repair = np.where(sick & (rng.random(20_000) < 0.7), rng.uniform(0, 30, 20_000), np.inf)
    truth = np.isfinite(fault).mean()
    seen = followed(fault, repair=repair)
    known, happened = seen.within(30)
    weight = censoring_weights(seen, 30, sick.astype(np.int64))
    assert np.average(happened, weights=known) < 0.8 * truth
    assert np.average(happened, weights=weight) == pytest.approx(truth, rel=0.06)


def test_a_record_knows_faults_repairs_and_how_long_each_vehicle_was_watched(fleet_of):
    fleet = fleet_of(vehicles=8, weeks=40, straying=1.0)
    record = record_of(fleet.evidence, fleet.history)
    assert len(record.faults.at) == fleet.history.fault_events.height > 0
    assert len(record.repairs.at) == fleet.evidence.work.height
    assert (record.known_until == days(fleet.history.readings["read_at"]).max()).all()
    assert record.gap_days == pytest.approx(7)
    first = record.faults.at[0] - 5
    ahead = outcomes(record, record.faults.vehicle[:1], np.array([first]), np.array([first]))
    assert ahead.fault[0] == pytest.approx(5)
    assert ahead.within(7) == ([1], [1])


def test_a_vehicle_without_faults_or_work_is_simply_watched(fleet_of):
    fleet = fleet_of(vehicles=3, weeks=20, straying=0.0)
    record = record_of(fleet.evidence, fleet.history)
    at = np.array([record.known_until[0] - 50.0])
    ahead = outcomes(record, np.array([0]), at, at)
    assert ahead.within(30) == ([1], [0])
    assert ahead.within(90) == ([0], [0])


def test_rows_after_a_repair_weigh_for_those_that_it_hid_and_found_late_ones_for_nothing():
    seen = followed([np.inf, np.inf, np.inf, np.inf], repair=[10.0, np.inf, np.inf, np.inf], unseen=[90, 90, 90, 5])
    weight = repair_weights(seen, np.zeros(4, dtype=np.int64))
    assert weight[:, 0] == pytest.approx(1.0)  # nobody has repaired anything yet
    assert weight[1, 2:] == pytest.approx(1.5)  # one of three that were followed so far is out of sight
    late = replace(seen, found_late=np.array([True, False, False, False]))
    assert repair_weights(late, np.zeros(4, dtype=np.int64))[0] == pytest.approx(0.0)


def visited(fleet, **columns):
    """The fleet with one visit to the workshop of v000, two days after its tenth reading of a Monday."""
    done_at = datetime(2031, 3, 12, 8, tzinfo=UTC)
    visit = {"vehicle_id": "v000", "done_at": done_at, "kind": "replacement", "complaint": "warning lamp"}
    row = pl.DataFrame({**visit, "codes_cleared": True, **columns})
    work = pl.concat([fleet.evidence.work.clear(), row.cast({"done_at": pl.Datetime("us", "UTC")})], how="diagonal")
    return replace(fleet.evidence, work=work), done_at


def test_a_code_cleared_on_a_complaint_that_no_reading_showed_was_a_fault_set_since_the_last_one(fleet_of):
    fleet = fleet_of(vehicles=2, weeks=20, straying=0.0)
    evidence, done_at = visited(fleet)
    record = record_of(evidence, fleet.history)
    assert record.unread == 1
    assert record.faults.vehicle.tolist() == [0]
    assert days(pl.Series([done_at.replace(tzinfo=None)]))[0] - record.faults.at[0] == pytest.approx(1.0)
    assert record.found[0] == days(pl.Series([done_at.replace(tzinfo=None)]))[0]
    assert record.faults.at[0] < record.repairs.at[0]


@pytest.mark.parametrize(
    "columns",
    [
        {"complaint": None},
        {"complaint": " "},
        {"codes_cleared": False},
        {"cause": "no_fault_found"},
        {"kind": "inspection"},
    ],
)
def test_work_without_a_complaint_or_without_codes_to_clear_is_no_fault(fleet_of, columns):
    fleet = fleet_of(vehicles=2, weeks=20, straying=0.0)
    evidence, _ = visited(fleet, **columns)
    record = record_of(evidence, fleet.history)
    assert record.unread == 0
    assert not len(record.faults.at)


def test_a_visit_for_a_fault_that_readings_showed_is_no_second_one(fleet_of):
    fleet = fleet_of(vehicles=2, weeks=20, straying=0.0)
    evidence, done_at = visited(fleet)
    shown = {"vehicle_id": "v000", "code": "P0171", "ended": "repaired", "ended_at": done_at}
    shown |= {"found_at": done_at - timedelta(days=2), "set_at": done_at - timedelta(days=4)}
    events = pl.DataFrame(shown).select(fleet.history.fault_events.columns).cast(fleet.history.fault_events.schema)
    record = record_of(evidence, replace(fleet.history, fault_events=events))
    assert record.unread == 0
    assert len(record.faults.at) == 1
