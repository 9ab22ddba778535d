"""The stage as a whole on light fleets: what raises an alarm, what does not, and that nothing looks ahead."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from drift_fleets import START, World, light_fleet

from pipelines.catalogue.tables import published_tables

WORLD = World(vehicles=24, corrections=3, weeks=60, seed=5)
ONE = "vehicle-00003"


def unit(code):
    """Sigma of the light fleet's channel in its own unit."""
    return np.geomspace(0.1, 10, WORLD.corrections)[int(code.split("_")[1]) - 1]


def cut(fleet, as_of):
    evidence, history = fleet.evidence, fleet.history
    return replace(
        fleet,
        evidence=replace(evidence, as_of=as_of, snapshots=evidence.snapshots.filter(pl.col("read_at") <= as_of)),
        history=replace(history, readings=history.readings.filter(pl.col("read_at") <= as_of)),
    )


@pytest.mark.parametrize("direction", [1, -1])
def test_a_ramp_raises_an_alarm_with_its_onset_rate_and_limit_dates(drift_of, changed, state, direction):
    slope = 2.0  # sigmas per 30 days from day 250
    fleet = changed(
        light_fleet(WORLD), "channel_2",
        lambda vehicle, day, x: x + direction * unit("channel_2") * slope
        * np.where(vehicle == ONE, np.maximum(day - 250, 0) / 30, 0),
    )  # fmt: skip
    row = state(drift_of(fleet), ONE, "channel_2")
    assert row["state"] == "drifting"
    assert row["alarm"]
    onset = START + timedelta(days=250)
    assert row["onset_low"] <= row["onset_at"] <= row["onset_high"]
    assert abs(row["onset_at"] - onset) < timedelta(days=35)
    assert row["onset_at"] < row["alarm_at"]
    assert row["rate_per_30d"] == pytest.approx(direction * slope * unit("channel_2"), rel=0.35)
    assert row["rate_per_1000km"] == pytest.approx(row["rate_per_30d"] / 1.5, rel=0.05)  # 50 km a day
    assert np.sign(row["deviation"]) == direction
    assert fleet.evidence.as_of - timedelta(days=7) <= row["limit_at_p10"] <= row["limit_at_p50"]
    left = 25 - slope * (fleet.day.max() - 250) / 30  # the authority is 25 sigmas about 0
    assert row["limit_at_p10"] < fleet.evidence.as_of + timedelta(days=30 * (left + 8) / slope)
    assert 0 < row["leeway_pct"] < 100


def test_a_step_is_outside_and_its_level_is_not_called_a_rate(drift_of, changed, state):
    fleet = changed(
        light_fleet(WORLD), "channel_1",
        lambda vehicle, day, x: x + 5 * unit("channel_1") * ((vehicle == ONE) & (day > 200)),
    )  # fmt: skip
    row = state(drift_of(fleet), ONE, "channel_1")
    assert row["state"] == "outside"
    assert row["deviation"] == pytest.approx(5 * unit("channel_1"), rel=0.3)
    assert abs(row["onset_at"] - (START + timedelta(days=200))) < timedelta(days=10)


def test_what_all_vehicles_of_a_depot_do_together_is_season_and_no_alarm(drift_of, changed):
    fleet = changed(light_fleet(WORLD), "channel_1", lambda _, day, x: x + 6 * unit("channel_1") * (day > 240))
    states = drift_of(fleet).correction_state.filter(pl.col("correction") == "channel_1")
    assert states["alarm"].sum() == 0


def test_a_single_misread_value_raises_no_alarm(drift_of, changed):
    fleet = light_fleet(WORLD)
    row = int(np.flatnonzero((fleet.evidence.snapshots["vehicle_id"].to_numpy() == ONE) & (fleet.day > 200))[0])

    def misread(_vehicle, _day, x):
        out = x.copy()
        out[row] += 60 * unit("channel_1")
        return out

    family = drift_of(changed(fleet, "channel_1", misread)).families[0]
    v = family.panel.vehicles.index(ONE)
    assert not family.alarm[family.panel.row_start[v] : family.panel.row_start[v + 1], 0].any()


def test_an_alarm_ends_when_the_correction_is_back(drift_of, changed):
    fleet = changed(
        light_fleet(WORLD), "channel_1",
        lambda vehicle, day, x: x + 6 * unit("channel_1") * ((vehicle == ONE) & (day > 200) & (day < 300)),
    )  # fmt: skip
    family = drift_of(fleet).families[0]
    v = family.panel.vehicles.index(ONE)
    rows = slice(family.panel.row_start[v], family.panel.row_start[v + 1])
    day, alarm = fleet.day[rows], family.alarm[rows, 0]
    assert alarm[(day > 240) & (day < 300)].all()
    assert not alarm[day > 360].any()


@pytest.mark.parametrize("weeks", [30, 45])
def test_deleting_what_came_after_as_of_changes_nothing_computed_before(drift_of, weeks):
    """Whole weeks: the season of a week is that of all its readings."""
    fleet = light_fleet(replace(WORLD, drifting=0.4))
    as_of = fleet.evidence.snapshots["read_at"].min() + timedelta(weeks=weeks) - timedelta(microseconds=1)
    early, late = drift_of(cut(fleet, as_of)).families[0], drift_of(fleet).families[0]
    before = late.panel.read_at <= np.datetime64(as_of.replace(tzinfo=None))
    assert 0 < before.sum() < len(before)
    for name in ("expected", "deviation", "slope", "evidence", "leeway", "alarm", "relearning"):
        np.testing.assert_array_equal(getattr(late, name)[before], getattr(early, name), err_msg=name)


def test_a_second_run_changes_nothing_and_snapshots_in_another_order_are_refused(drift_of):
    fleet = light_fleet(WORLD)
    assert drift_of(fleet).correction_state.equals(drift_of(fleet).correction_state)
    shuffled = replace(fleet, evidence=replace(fleet.evidence, snapshots=fleet.evidence.snapshots.reverse()))
    with pytest.raises(ValueError, match="different readings"):
        drift_of(shuffled)


def test_the_table_keeps_its_contract(drift_of):
    states = drift_of(light_fleet(replace(WORLD, drifting=0.5))).correction_state
    assert states.schema == published_tables()["correction_state"].schema
    assert states.select("vehicle_id", "correction").is_duplicated().sum() == 0
    assert (states["band_low"] <= states["band_high"]).all()
    assert states["leeway_pct"].is_between(0, 100).all()
    quiet = states.filter(~pl.col("alarm"))
    assert quiet["alarm_at"].null_count() == quiet.height


@pytest.mark.parametrize("vehicles", [1, 2, 3])
def test_small_families_work_and_a_step_in_one_vehicle_is_still_seen(drift_of, changed, state, vehicles):
    world = replace(WORLD, vehicles=vehicles, season=0.0, depot_season=0.0, weeks=80)
    last = f"vehicle-{vehicles - 1:05d}"
    fleet = changed(
        light_fleet(world), "channel_1",
        lambda vehicle, day, x: x + 12 * unit("channel_1") * ((vehicle == last) & (day > 400)),
    )  # fmt: skip
    drift = drift_of(fleet)
    assert state(drift, last, "channel_1")["alarm"]
    assert drift.correction_state.filter(pl.col("correction") == "channel_2")["alarm"].sum() == 0


def test_a_gap_of_months_raises_no_alarm_and_holds_what_was_known(drift_of):
    fleet = light_fleet(WORLD)
    keep = ~((fleet.history.readings["vehicle_id"] == ONE) & pl.Series((fleet.day > 150) & (fleet.day < 300)))
    gap = replace(
        fleet, day=fleet.day[keep.to_numpy()],
        evidence=replace(fleet.evidence, snapshots=fleet.evidence.snapshots.filter(keep)),
        history=replace(fleet.history, readings=fleet.history.readings.filter(keep)),
    )  # fmt: skip
    family = drift_of(gap).families[0]
    v = family.panel.vehicles.index(ONE)
    rows = slice(family.panel.row_start[v], family.panel.row_start[v + 1])
    assert not family.alarm[rows].any()
    assert np.isfinite(family.expected[rows]).all()


def test_an_empty_fleet_gives_an_empty_table(drift_of):
    fleet = light_fleet(WORLD)
    empty = replace(
        fleet,
        evidence=replace(fleet.evidence, snapshots=fleet.evidence.snapshots.clear()),
        history=replace(fleet.history, readings=fleet.history.readings.clear()),
    )
    drift = drift_of(empty)
    assert drift.families == ()
    assert drift.correction_state.height == 0
