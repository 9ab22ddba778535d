"""What a calibration moved, and how well levels are carried over epochs' ends, as peers show it."""

import numpy as np
import pytest

from pipelines.bands import recalibration, season

WEEKS, VEHICLES = 60, 40


def run(shift, *, own=0.0, got=VEHICLES, seed=1):
    """Weekly readings of 40 vehicles, sd 1; the first `got` are moved by `shift` at weeks 20 to 29, vehicle 0 more."""
    rng = np.random.default_rng(seed)
    week = np.tile(np.arange(WEEKS), VEHICLES)
    vehicle = np.repeat(np.arange(VEHICLES, dtype=np.int32), WEEKS)
    new = (week >= 20 + vehicle % 10) & (vehicle < got)
    x = rng.normal(0, 3, VEHICLES)[vehicle] + rng.standard_normal(len(week)) + new * (shift + own * (vehicle == 0))
    change, kinds = recalibration.changes(new.astype(np.int32), np.arange(VEHICLES + 1) * WEEKS)
    order = season.by_cell(week, np.zeros_like(vehicle), (WEEKS, 1), since=0)
    shifts, carried = np.zeros((WEEKS, len(kinds)), dtype=recalibration.SHIFT), np.zeros(WEEKS)
    settled, block = np.ones(len(week), dtype=bool), np.zeros(len(week), dtype=np.int32)
    rows = recalibration.Rows(x, week, vehicle, new.astype(np.int32), settled, change, block)
    model, row_start = recalibration.Model(np.ones(1), np.array([9.0])), np.arange(VEHICLES + 1) * WEEKS
    known, ends = (
        recalibration.Known(recalibration.blank_levels(VEHICLES), shifts, carried), recalibration.empty_ends()
    )  # fmt: skip
    for first, last in ((0, 33), (33, WEEKS)):  # going on gives what one go gives
        ends = recalibration.run_weeks(rows, order, model, known, ends, first, last)
    moved = np.zeros((len(week), 3))
    known = recalibration.Known(recalibration.blank_levels(VEHICLES), shifts, carried)
    recalibration.run_rows(rows, model, known, row_start[:-1], row_start, moved)
    return moved.reshape(VEHICLES, WEEKS, 3), shifts, carried


def test_the_last_change_of_each_vehicle_is_told_apart_and_the_first_calibration_is_none():
    change, kinds = recalibration.changes(np.array([2, 2, 0, 0, 1, 0, 0], dtype=np.int32), np.array([0, 3, 5, 7]))
    assert kinds.tolist() == [[0, 1], [2, 0]]
    assert change.tolist() == [-1, -1, 1, -1, 0, -1, -1]


@pytest.mark.parametrize("shift", [4.0, -6.0])
def test_what_all_moved_is_the_calibrations_and_what_one_moved_beside_is_its_own(shift):
    moved, shifts, _ = run(shift, own=8.0)
    assert shifts[-1, 0]["mean"] == pytest.approx(shift, abs=0.5)
    assert moved[0, -1, 0] == pytest.approx(shift, abs=0.5)  # not the 8 that vehicle 0 moved beside
    assert moved[0, -1, 1] < 0.25
    assert (moved[:, 10, :2] == 0).all()  # before the change


def test_a_calibration_that_one_vehicle_got_first_moves_nothing_yet():
    moved, _, _ = run(4.0, got=1)
    assert moved[0, -1, 0] == 0
    assert moved[0, -1, 1] == pytest.approx(9.0)


def test_of_a_change_that_no_vehicle_shows_any_more_nothing_is_known():
    shifts = np.full(1, 7.0, dtype=recalibration.SHIFT)
    recalibration._learn_shift(shifts[0], 0, recalibration.blank_levels(3), np.full(3, 5.0), np.full(3, 1.0))
    assert shifts[0].tolist() == (0.0, 0.0, 0.0)


def test_levels_that_keep_their_place_are_carried_better_than_assumed():
    _, _, carried = run(4.0)
    assert carried[0] == pytest.approx(9 * recalibration.CARRIED)
    assert carried[-1] < carried[0] / 2
