"""Ageing is what vehicles that drive more do more; a season that all of them share is none."""

import numpy as np
import pytest

from pipelines.bands.ageing import shared_slope
from pipelines.bands.noise import take_out_levels


def slope_of(per_km, season, *, vehicles=60, weeks=26, ill=0.0, seed=1, paces=(100, 700)):
    """Slope found per km in vehicles of some km a week; noise of sd 1, season's rise over the weeks."""
    rng = np.random.default_rng(seed)
    pace = rng.uniform(*paces, vehicles)
    km = pace[:, None] * np.arange(weeks) + rng.uniform(0, 1e5, (vehicles, 1))
    values = per_km * km + season * np.linspace(0, 1, weeks) + rng.standard_normal((vehicles, weeks))
    values[rng.random(vehicles) < ill] += np.linspace(0, 20, weeks)
    row_start = np.arange(vehicles + 1) * weeks
    week = np.tile(np.arange(weeks, dtype=np.int32), vehicles)
    every = np.ones((1, vehicles * weeks), dtype=bool)
    epoch = np.zeros((1, vehicles * weeks), dtype=np.int32)
    healthy, way = (
        take_out_levels(
            x.reshape(1, -1).astype(np.float32), epoch, row_start, week, np.argsort(week, kind="stable"), weeks, every
        )[0]
        for x in (values, km)
    )
    return shared_slope(healthy, epoch, row_start, way[0], km.ravel())[0]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_half_a_season_is_not_taken_for_ageing(seed):
    assert abs(slope_of(0.0, season=-20.0, seed=seed)) < 2e-5  # of 4e-3 that the season's fall a km would be


@pytest.mark.parametrize("ill", [0.0, 0.2])
def test_what_those_who_drive_more_do_more_is_found_with_defects_among_them(ill):
    found = slope_of(1e-3, season=-20.0, ill=ill, vehicles=200)
    assert found == pytest.approx(1e-3, rel=0.15 if not ill else 0.35)  # drawn to 0 by the doubt that they cast


@pytest.mark.parametrize("seed", range(8))
def test_vehicles_that_drive_alike_show_no_ageing(seed):
    assert slope_of(0.0, season=-20.0, seed=seed, paces=(350, 350.1)) == 0.0


def test_few_vehicles_show_no_ageing():
    assert slope_of(1e-3, season=0.0, vehicles=4) == 0.0


def test_one_that_drives_far_and_goes_wrong_is_no_ageing_of_those_who_drive_little():
    weeks, pace = 26, np.array([3000.0, 2400.0, -60.0, 80.0, -90.0, 110.0, -130.0, 150.0, -70.0])  # km a week, to peers
    rng = np.random.default_rng(5)
    way = pace[:, None] * np.arange(weeks)
    healthy = rng.normal(0, 0.5, way.shape)
    healthy[0] += np.linspace(0, 16, weeks)
    found = shared_slope(
        healthy.reshape(1, -1).astype(np.float32), np.zeros((1, way.size), dtype=np.int32),
        np.arange(len(pace) + 1) * weeks, way.ravel().astype(np.float32), (way + 600.0 * np.arange(weeks)).ravel(),
    )  # fmt: skip
    assert found[0] == 0.0
