"""The season is what settled peers do together; what relearns says nothing of it."""

import numpy as np
import pytest

from pipelines.bands import season
from pipelines.bands.anchors import anchors
from pipelines.bands.group_levels import GROUP
from pipelines.bands.robust_mean import is_shared

WEEKS = 40
MODEL = season.Model(*(np.array([variance]) for variance in (1.0, 4.0, 0.2, 0.02, 0.0, 0.0)))


def last_season(*, gap, settled):
    """Season for a vehicle that is left out, in a family of two, after its only peer came back from a reset."""
    week = np.arange(WEEKS)
    epoch = (week >= 15).astype(np.int32)
    x = np.where(week >= 15, gap * 0.5 ** (week - 15), 0.0)
    weeks, peers = np.zeros((WEEKS, 2), dtype=season.WEEKLY), season.blank_peers(2)
    nothing = np.zeros(WEEKS, dtype=np.int32)
    order = season.by_cell(week, nothing, (WEEKS, 2), since=0, depot_of=nothing[:1])
    rows = season.Rows(x, week, nothing, nothing, nothing, epoch, settled, nothing)
    known = season.Known(peers, np.zeros(1, dtype=GROUP), np.full((WEEKS, 1), np.nan), weeks)
    season.run_weeks(rows, order, MODEL, known, 0, WEEKS, 1)
    return weeks["season"][-1, 0]


def test_a_peer_that_relearns_moves_no_season():
    settled = np.arange(WEEKS) < 15
    settled[21:] = True
    assert abs(last_season(gap=8.0, settled=settled)) < 0.2
    assert abs(last_season(gap=8.0, settled=np.ones(WEEKS, dtype=bool))) > 0.4


def one_week(x, *, exclude=-1):
    """The first week of vehicles of one depot: what it rests on, what their peers are, levels of the group."""
    n = len(x)
    nothing = np.zeros(n, dtype=np.int32)
    week = np.zeros(n, dtype=np.int64)
    order = season.by_cell(week, nothing, (1, 1), since=0, depot_of=nothing[:1])
    weeks, peers, levels = np.zeros((1, 1), dtype=season.WEEKLY), season.blank_peers(n), np.full((1, 1), np.nan)
    settled, vehicle = np.ones(n, dtype=bool), np.arange(n, dtype=np.int32)
    rows = season.Rows(x, week, vehicle, nothing, nothing, nothing, settled, nothing)
    season.run_weeks(
        rows, order, MODEL, season.Known(peers, np.zeros(1, dtype=GROUP), levels, weeks), 0, 1, exclude
    )  # fmt: skip
    return weeks, levels


def test_a_vehicle_read_for_the_first_time_weighs_as_little_as_its_level_is_known():
    weeks, _ = one_week(np.array([0.7]))
    assert weeks["weight"][0, 0] == pytest.approx(1 / (1 + 4))  # noise and level


def test_a_vehicles_own_reading_says_nothing_of_its_season():
    x, mine = np.array([2.0, 2.5, 3.0, 3.5, 4.0]), 2  # the middle one: without it the mean stays where it is
    n = len(x)
    weeks, levels = one_week(x)
    nothing, peers = np.zeros(n, dtype=np.int64), season.blank_peers(n)
    found, variance = np.zeros(n), np.zeros(n)
    settled, empty = np.ones(n, dtype=bool), np.zeros(0, dtype=GROUP)
    rows = season.Rows(x, nothing, nothing, nothing, nothing, nothing, settled, nothing)
    known = season.Known(peers, empty, np.nan_to_num(levels)[None], weeks[None])
    season.run_rows(rows, MODEL, known, np.arange(n), np.arange(n + 1), found, variance)
    of_others, _ = one_week(x, exclude=mine)
    assert found[mine] == pytest.approx(of_others["season"][0, 0])
    assert found[mine] < 0.9 * weeks["season"][0, 0]  # of fewer peers


@pytest.mark.parametrize(("stayed", "shared"), [(0, True), (1, True), (3, False), (6, False)])
def test_a_movement_is_shared_unless_more_stayed_than_odd_ones_do(stayed, shared):
    apart = np.where(np.arange(12) < stayed, 0.0, 8.0)
    assert is_shared.py_func(apart, np.ones(12), apart.mean()) == shared
    assert is_shared.py_func(-apart, np.ones(12), -apart.mean()) == shared


def test_noise_that_hides_a_movement_is_nobody_who_stayed():
    apart = 0.8 + np.random.default_rng(1).standard_normal(200)
    assert is_shared.py_func(apart, np.ones(200), 0.8)
    assert is_shared.py_func(np.append(np.full(5, 8.0), np.zeros(5)), np.append(np.ones(5), np.full(5, 1e9)), 8.0)


def test_a_level_is_moved_by_every_change_of_calibration():
    centre, nothing = np.array([[1.0, 3.0, 7.0]]), np.zeros(4, dtype=np.int64)
    anchor, moved = anchors(
        np.array([0, 4]), np.array([0]), nothing, np.array([0, 1, 1, 2]), centre, np.zeros(1), np.full(4, np.nan)
    )
    assert anchor.tolist() == [1.0, 3.0, 3.0, 7.0]
    assert moved.tolist() == [[0.0, 0.0], [2.0, 2.0], [2.0, 2.0], [4.0, 6.0]]


def test_a_depot_whose_vehicles_all_left_by_ways_of_their_own_stays_where_it_was():
    n, last = 12, 30
    went = np.where(np.arange(n) < 7, 20.0, 8.0)  # nobody is where the depot was, nor are they together
    week, vehicle = np.tile(np.arange(last + 1), n), np.repeat(np.arange(n, dtype=np.int32), last + 1)
    x = np.where(week == last, np.repeat(went, last + 1), 0.0)
    nothing, settled = np.zeros(len(x), dtype=np.int32), np.ones(len(x), dtype=bool)
    order = season.by_cell(week, nothing, (last + 1, 1), since=0, depot_of=nothing[:1])
    weeks, levels = np.zeros((last + 1, 1), dtype=season.WEEKLY), np.full((last + 1, 1), np.nan)
    rows = season.Rows(x, week, vehicle, nothing, nothing, nothing, settled, nothing)
    known = season.Known(season.blank_peers(n), np.zeros(1, dtype=GROUP), levels, weeks)
    season.run_weeks(rows, order, MODEL, known, 0, last + 1, -1)
    assert abs(weeks["season"][-1, 0]) < 0.1
