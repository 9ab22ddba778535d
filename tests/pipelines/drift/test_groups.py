"""Depots and duties: what their conditions do to all their vehicles is normal there, and no vehicle's alarm."""

import numpy as np
import polars as pl
import pytest
from drift_fleets import World, light_fleet

from pipelines.bands.group_levels import GROUP, draw, take_in
from pipelines.bands.normal import days
from pipelines.bands.panel import panels
from pipelines.recurring.conditions import moved_depots

WORLD = World(vehicles=45, corrections=4, depots=3, weeks=80, seed=4)


def in_alarm(drift, depot, *, since=0.0):
    """Share of the vehicle-weeks at a depot, from the seventh week on, with a correction in alarm."""
    family = drift.families[0]
    panel, day = family.panel, days(family.panel)
    there = (panel.depot == panel.depots.index(depot)) & (day - day.min() > max(since, 42))
    return family.alarm.any(axis=1)[there].mean()


def test_depot_at_altitude_is_normal_for_itself(drift_of):
    """Twenty sigmas off in every second correction from the first day on, ten of vehicles' own levels."""
    drift = drift_of(light_fleet(World(**{**vars(WORLD), "altitude": 20.0})))
    assert in_alarm(drift, "depot-2") < 0.03


def test_depot_that_moves_as_a_whole_is_no_alarm_of_its_vehicles(drift_of):
    drift = drift_of(light_fleet(World(**{**vars(WORLD), "depot_jump": 5.0})))
    assert in_alarm(drift, "depot-0", since=80 * 7 * 0.6) < 0.05


def test_vehicle_that_moves_takes_the_conditions_of_its_new_depot(drift_of):
    world = World(**{**vars(WORLD), "depot_level": 6.0, "duty_level": 2.0, "moving": 0.5})
    drift = drift_of(light_fleet(world))
    assert max(in_alarm(drift, f"depot-{d}", since=280.0) for d in range(3)) < 0.05


def test_vehicle_far_from_its_depot_is_no_condition_of_the_depot(drift_of, changed):
    """One of fifteen strays by six sigmas: it alarms, and the others do not."""
    fleet = light_fleet(WORLD)
    one = "vehicle-00000"
    fleet = changed(fleet, "channel_2", lambda v, day, x: x + 6 * 0.46 * ((v == one) & (day > 400)))
    family = drift_of(fleet).families[0]
    newest = family.alarm[family.panel.row_start[1:] - 1].any(axis=1)
    assert newest[family.panel.vehicles.index(one)]
    assert newest.sum() <= 3


def test_what_reaches_two_thirds_of_a_depot_is_no_condition_of_it(drift_of, changed):
    """As bad fuel in its tank does: whoever filled up strays and alarms; the others, who stayed, do not."""
    fleet = light_fleet(WORLD)
    panel = panels(fleet.evidence, fleet.history)[0]
    there = [panel.vehicles[v] for v in range(45) if panel.depots[panel.depot[panel.row_start[v]]] == "depot-0"]
    filled = np.arange(len(there)) % 3 > 0
    ill = [name for name, has in zip(there, filled, strict=True) if has]
    fleet = changed(fleet, "channel_2", lambda v, day, x: x + 8 * 0.46 * (np.isin(v, ill) & (day > 400)))
    family = drift_of(fleet).families[0]
    panel, day = family.panel, days(family.panel) - days(family.panel).min()
    vehicle = np.repeat(np.array(panel.vehicles), np.diff(panel.row_start))
    after = (panel.depot == panel.depots.index("depot-0")) & (day > 430) & (day < 490)
    alarm = family.alarm[:, panel.codes.index("channel_2")]
    assert alarm[after & np.isin(vehicle, ill)].mean() > 0.9
    assert alarm[after & ~np.isin(vehicle, ill)].mean() < 0.05


def known(*groups):
    return np.array([(mean, count / 4.0, count, 1.0, 0.0) for mean, count in groups], dtype=GROUP)  # own sd: 2


@pytest.mark.parametrize(("depot2", "low", "high"), [(100.0, 2.4, 2.6), (0.01, 0.0, 0.2)])
def test_depot_is_drawn_to_the_family_by_how_far_depots_differ(depot2, low, high):
    levels = np.zeros(2)
    draw(known((2.5, 8), (0.0, 8)), np.array([0, 1], dtype=np.int32), depot2, 0.0, levels)
    assert low < levels[0] < high
    assert levels[1] == 0.0


def test_depot_beyond_doubt_is_believed_where_all_were_alike_so_far():
    levels = np.zeros(1)
    draw(known((20.0, 10)), np.zeros(1, dtype=np.int32), 0.0, 0.0, levels)
    assert levels[0] == pytest.approx(20.0, rel=0.01)
    draw(known((20.0, 2)), np.zeros(1, dtype=np.int32), 0.0, 0.0, levels)
    assert levels[0] == 0.0  # two vehicles may both be ill


def test_duty_that_nobody_has_shown_yet_reads_as_its_depot():
    levels = np.zeros(3)
    draw(known((5.0, 50), (9.0, 50), (0.0, 0)), np.zeros(3, dtype=np.int32), 50.0, 4.0, levels)
    assert levels[0] < levels[2] < levels[1]
    assert levels[2] == pytest.approx(7.0 * 50 / (50 + (4 + 4 / 50) / 2), rel=1e-6)


def test_depot_that_moves_as_a_whole_is_one_finding_about_it(drift_of):
    fleet = light_fleet(World(**{**vars(WORLD), "depot_jump": 5.0}))
    moved = drift_of(fleet).extras["drift_moved"]
    assert moved["depot"].unique().to_list() == ["depot-0"]
    assert set(moved["correction"]) == {"channel_2", "channel_4"}
    months = pl.DataFrame({"depot": ["depot-0"] * 100 + ["depot-1"] * 200}).with_columns(
        month=moved["week_from"].dt.date().max()
    )
    found = moved_depots(moved, months, {}, lambda *words: "|".join(words), {})
    assert found.height == 1
    assert found["level"].to_list() == ["depot-0"]
    assert "moved up together" in found["title"][0]
    assert found["q_value"][0] < 1e-3
    assert "no trouble of each" in found["title"][0]
    trims = moved.with_columns(correction=pl.lit("ltft_b1_mid"))
    told = moved_depots(trims, months, {}, lambda *words: "|".join(words), {"depot-0": "fuel_contaminated"})
    assert told["cause_or_correction"].to_list() == ["fuel_contaminated"]
    assert "most likely fuel_contaminated" in told["title"][0]
    unlike = moved_depots(moved, months, {}, lambda *words: "|".join(words), {"depot-0": "fuel_contaminated"})
    assert unlike["title"].to_list() == found["title"].to_list()  # it moves no such channel


def test_depots_that_stay_are_no_finding(drift_of):
    assert drift_of(light_fleet(WORLD)).extras["drift_moved"].is_empty()


@pytest.mark.parametrize(
    ("came", "level"), [((40.0, 0.0, 0.0), 0.0), ((0.0, 0.0, 40.0), 0.0), ((40.0, 41.0, 39.0), 40.0)]
)
def test_one_that_came_ill_is_no_condition_of_its_group_and_three_alike_are(came, level):
    """Whatever the week in which each came; vehicles' own sd: 2."""
    group = np.zeros(1, dtype=GROUP)
    for mean in came:
        take_in(group[0], mean, 0.25, 1.0)
    levels = np.zeros(1)
    draw(group, np.zeros(1, dtype=np.int32), 0.01, 0.01, levels)
    assert levels[0] == pytest.approx(level, abs=0.5)
