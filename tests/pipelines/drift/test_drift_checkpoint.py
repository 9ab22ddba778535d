"""A run that goes on from a checkpoint gives, to the last bit, what a run from the first reading gives."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from drift_fleets import World, light_fleet
from polars.testing import assert_frame_equal

from pipelines.bands.panel import panels
from pipelines.drift.stage import straying
from pipelines.resume.drift_checkpoint import copied
from pipelines.resume.drift_run import straying_since
from pipelines.settings import Settings

ROUGH = World(
    family_sizes=(24, 14, 3), corrections=3, weeks=40, depots=3, missed=0.2, irregular=0.2, joining=0.3, resets=1.5,
    modules=0.5, calibrations=2, learn_hours=4.0, drifting=1.0, step=(0.0, 0.5, 1.0),
    depot_level=4.0, duty_level=2.0, depot_jump=4.0, moving=0.3, vehicle_scatter=0.3, series_scatter=0.1,
)  # fmt: skip
ARRAYS = ("expected", "scale", "deviation", "z", "slope", "leeway", "evidence", "alarm", "relearning")
STRAYING = [f"vehicle-{v:05d}" for v in (1, 2, 8, 30, 39)]
FIRST_SETTLED = 30  # weeks: the second block of learning has begun, 26 weeks after the first reading


def at(fleet, weeks):
    """What was known so many weeks after the first reading."""
    as_of = fleet.evidence.snapshots["read_at"].min() + timedelta(weeks=weeks)
    evidence, history = fleet.evidence, fleet.history
    return {
        "evidence": replace(
            evidence, as_of=as_of, snapshots=evidence.snapshots.filter(pl.col("read_at") <= as_of)
        ),
        "history": replace(history, readings=history.readings.filter(pl.col("read_at") <= as_of)),
    }  # fmt: skip


def run_on(kept, known, settings=None):
    left = []
    drift = straying_since(
        kept,
        panels(known["evidence"], known["history"]),
        **known,
        settings=settings or Settings(),
        keep=left.append,
        put=copied,
    )
    return drift, left[0]


def run_in_full(known, settings=None):
    return straying(panels(known["evidence"], known["history"]), **known, settings=settings or Settings())


def assert_same(resumed, full):
    """The whole table, every kept table, and every row that both have."""
    assert_frame_equal(resumed.correction_state, full.correction_state, check_exact=True)
    for name, table in full.extras.items():
        assert_frame_equal(resumed.extras[name], table, check_exact=True)
    for some, whole in zip(resumed.families, full.families, strict=True):
        assert some.panel.vehicles == whole.panel.vehicles
        lengths = np.diff(some.panel.row_start)
        rows = np.concatenate(
            [np.arange(last - n, last) for last, n in zip(whole.panel.row_start[1:], lengths, strict=True)]
        )
        for name in ARRAYS:
            np.testing.assert_array_equal(getattr(some, name), getattr(whole, name)[rows], err_msg=name)


def computed(drift):
    """How many rows of each family a run computed or carried."""
    return [len(family.panel.read_at) for family in drift.families]


def without(fleet, rows):
    """The fleet without these readings."""
    keep = pl.Series(~rows)
    evidence, history = fleet.evidence, fleet.history
    return replace(
        fleet,
        evidence=replace(evidence, snapshots=evidence.snapshots.filter(keep)),
        history=replace(history, readings=history.readings.filter(keep)),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_week_upon_week_gives_what_a_full_run_gives(seed, changed):
    fleet = changed(
        light_fleet(replace(ROUGH, seed=seed)), "channel_2",
        lambda vehicle, day, x: x + np.isin(vehicle, STRAYING) * np.maximum(day - 120, 0) / 5,
    )  # fmt: skip
    _, kept = run_on(None, at(fleet, FIRST_SETTLED + seed))
    alarms = 0
    for week in (1, 2.5, 3, 6):
        known = at(fleet, FIRST_SETTLED + seed + week)
        resumed, kept = run_on(kept, known)
        full = run_in_full(known)
        assert_same(resumed, full)
        assert computed(resumed)[0] < computed(full)[0] / 3
        alarms += full.correction_state["alarm"].sum()
    assert alarms > 0


def test_another_run_in_the_same_week_has_nothing_new_to_keep():
    fleet = light_fleet(ROUGH)
    _, kept = run_on(None, at(fleet, 33.2))
    known = at(fleet, 33.8)
    resumed, again = run_on(kept, known)
    assert_same(resumed, run_in_full(known))
    assert kept.renews(None)
    assert not again.renews(kept)
    assert not run_on(None, at(fleet, 31))[1].renews(kept)
    _, later = run_on(again, at(fleet, 34.2))
    assert later.renews(again)


@pytest.mark.parametrize("weeks", [2, 10, 25.9])
def test_a_fleet_in_its_first_block_runs_in_full(weeks):
    fleet = light_fleet(replace(ROUGH, family_sizes=(14,), weeks=30))
    _, kept = run_on(None, at(fleet, weeks))
    known = at(fleet, weeks + 1)
    resumed, _ = run_on(kept, known)
    assert_same(resumed, run_in_full(known))


def test_a_late_reading_has_its_family_computed_in_full_and_no_other():
    fleet = light_fleet(ROUGH)
    first = fleet.vehicle == fleet.vehicle[np.flatnonzero(fleet.family == 1)[0]]
    late = np.zeros(len(first), dtype=bool)
    late[np.flatnonzero(first & (fleet.day > 195))[0]] = True
    _, kept = run_on(None, at(without(fleet, late), 32))
    known = at(fleet, 33)
    resumed, _ = run_on(kept, known)
    full = run_in_full(known)
    assert_same(resumed, full)
    some, all_rows = computed(resumed), computed(full)
    assert some[0] < all_rows[0]
    assert some[1] == all_rows[1]


@pytest.mark.parametrize(("factor", "vehicles_in_full"), [(1.00001, 1), (1.5, 24)])
def test_hours_that_changed_have_their_vehicle_computed_in_full_and_its_peers_where_it_settled_at_another_time(
    factor, vehicles_in_full
):
    fleet = light_fleet(ROUGH)
    _, kept = run_on(None, at(fleet, 32))
    known = at(fleet, 33)
    mine = pl.col("vehicle_id") == "vehicle-00003"
    hours = pl.when(mine).then(pl.col("hours") * factor).otherwise("hours")
    known["history"] = replace(known["history"], readings=known["history"].readings.with_columns(hours=hours))
    resumed, _ = run_on(kept, known)
    full = run_in_full(known)
    assert_same(resumed, full)
    lengths, whole = (np.diff(drift.families[0].panel.row_start) for drift in (resumed, full))
    assert (lengths == whole).sum() == vehicles_in_full
    vehicle = resumed.families[0].panel.vehicles.index("vehicle-00003")
    assert lengths[vehicle] == whole[vehicle]


def test_work_that_was_entered_late_has_its_vehicle_alone_computed_in_full():
    fleet = light_fleet(ROUGH)
    _, kept = run_on(None, at(fleet, 32))
    late = []
    for known in (at(fleet, 33), at(fleet, 33)):
        found = panels(known["evidence"], known["history"])
        row = found[0].row_start[3] + 4
        late.append((known, [replace(found[0], worked={"channel_2": np.array([row])}), *found[1:]]))
    (known, some), (_, every) = late
    resumed = straying_since(kept, some, **known, settings=Settings(), keep=lambda _: None, put=copied)
    full = straying(every, **known, settings=Settings())
    assert_same(resumed, full)
    lengths, whole = (np.diff(drift.families[0].panel.row_start) for drift in (resumed, full))
    assert np.flatnonzero(lengths == whole).tolist() == [3]


@pytest.mark.parametrize(
    "change", [{"limit": 30.0}, {"promise": 0.2}, {"earlier": -3}], ids=["limits", "promise", "a date before"]
)  # fmt: skip
def test_what_a_checkpoint_does_not_fit_is_computed_in_full(change):
    fleet = light_fleet(ROUGH)
    _, kept = run_on(None, at(fleet, 33))
    known = at(fleet, 34 + change.get("earlier", 0))
    settings = Settings(false_alarms_per_vehicle_year=change.get("promise", 0.1))
    if "limit" in change:
        catalogue = known["evidence"].corrections.with_columns(high_limit=pl.lit(change["limit"]))
        known["evidence"] = replace(known["evidence"], corrections=catalogue)
    resumed, _ = run_on(kept, known, settings)
    full = run_in_full(known, settings)
    assert_same(resumed, full)
    assert computed(resumed) == computed(full)


def test_a_vehicle_a_depot_and_a_family_may_join():
    fleet = light_fleet(replace(ROUGH, seed=7))
    late = ((fleet.vehicle == 5) | (fleet.family == 2) | (fleet.vehicle == 0)) & (fleet.day < 33 * 7)
    fleet = without(fleet, late)
    vehicles = fleet.evidence.vehicles.with_columns(
        depot=pl.when(pl.col("vehicle_id") == "vehicle-00005").then(pl.lit("a new depot")).otherwise("depot")
    )
    depot = pl.when(pl.col("vehicle_id") == "vehicle-00005").then(pl.lit("a new depot")).otherwise("depot")
    fleet = replace(
        fleet,
        evidence=replace(fleet.evidence, vehicles=vehicles),
        history=replace(fleet.history, readings=fleet.history.readings.with_columns(depot=depot)),
    )
    _, kept = run_on(None, at(fleet, 32))
    for week in (33, 34, 35):
        known = at(fleet, week)
        resumed, kept = run_on(kept, known)
        full = run_in_full(known)
        assert_same(resumed, full)
        assert computed(resumed)[0] < computed(full)[0] / 3


def test_an_empty_fleet_has_a_checkpoint_of_nothing():
    fleet = light_fleet(ROUGH)
    known = at(fleet, 1)
    known["history"] = replace(known["history"], readings=known["history"].readings.clear())
    known["evidence"] = replace(known["evidence"], snapshots=known["evidence"].snapshots.clear())
    drift, kept = run_on(None, known)
    assert drift.families == ()
    assert kept.families == {}
