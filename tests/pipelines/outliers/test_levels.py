"""Own levels among peers: what depot, calibration, season and kilometres do to all is no vehicle's oddity."""

from dataclasses import replace

import numpy as np
import pytest

from pipelines.outliers.levels import own_offsets

VEHICLES, WEEKS = 60, 30


@pytest.fixture(scope="module")
def levels(made):
    """60 vehicles in two depots: season, ageing and a depot's altitude in every level; vehicle 7 is 12 sigmas off."""
    drift, _ = made({"alder": np.zeros((VEHICLES, WEEKS, 3))})
    family = drift.families[0]
    rng = np.random.default_rng(3)
    vehicle, week = np.repeat(np.arange(VEHICLES), WEEKS), np.tile(np.arange(WEEKS), VEHICLES)
    km = rng.uniform(0, 2e5, VEHICLES)[vehicle] + 800.0 * week
    km[vehicle == 9] *= 10
    depot = (vehicle % 2).astype(np.int32)
    own = rng.normal(size=(VEHICLES, 3))
    own[7, 1] = 12.0
    expected = own[vehicle] + 5 * np.sin(week / 5)[:, None] + 3.0 * depot[:, None]
    expected[:, 2] += 4e-5 * np.where(vehicle == 9, km / 10, km)
    panel = replace(family.panel, km=km, depot=depot, depots=("millrace", "highfell"))
    changed = replace(family, panel=panel, expected=expected.astype(np.float32))
    return own_offsets(changed).reshape(VEHICLES, WEEKS, 3), own


def test_season_depot_and_kilometres_leave_only_each_vehicles_own_level(levels):
    offsets, own = levels
    usual = np.delete(np.arange(VEHICLES), [7, 9])
    assert np.abs(offsets[usual] - own[usual, None]).mean() < 0.5


def test_a_vehicle_far_from_its_peers_stays_far(levels):
    offsets, _ = levels
    assert offsets[7, :, 1] == pytest.approx(12.0, abs=1.5)


def test_a_misread_odometer_moves_no_other_vehicle_and_its_own_by_little(levels):
    offsets, own = levels
    assert np.abs(offsets[9, :, 2] - own[9, 2]).max() < 10.0
    assert np.abs(np.delete(offsets[:, :, 2], 9, axis=0) - np.delete(own[:, None, 2], 9, axis=0)).mean() < 0.6
