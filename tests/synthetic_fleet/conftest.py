"""Fixtures: the demo's scenario as numbers, and one small fleet in memory."""

import pytest

from synthetic_fleet import read_scenario, simulate_frames
from synthetic_fleet.constants import constants_of


@pytest.fixture(scope="session")
def constants():
    return constants_of(read_scenario())


@pytest.fixture(scope="session")
def small_fleet():
    """Sixty vehicles over a year, with dirt: not to be changed."""
    return simulate_frames(read_scenario(), vehicles=60, weeks=52, seed=7)
