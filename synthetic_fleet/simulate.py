"""A whole fleet: blocks of vehicles lived one after the other and written as drops, one folder a month, and truth."""

import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

from synthetic_fleet import world
from synthetic_fleet.block import Calendar, live
from synthetic_fleet.fleet import Constants
from synthetic_fleet.scenario import Scenario, ScenarioError
from synthetic_fleet.writing import Writer

BLOCK = 500  # vehicles lived and written at once: what memory grows with


def calendar_of(scenario: Scenario, *, weeks: int, seed: int) -> Calendar:
    """Weather, fuel and working days from the burn-in to the last week."""
    first = scenario["start"]
    if not isinstance(first, date):
        raise ScenarioError(f"start: {first!r} is no date. Write one like 2030-01-07.")
    start = datetime(first.year, first.month, first.day, tzinfo=UTC)
    burn_in, days = int(scenario["burn_in_days"]), 7 * weeks
    before = first - timedelta(days=burn_in)
    sky = np.stack([world.weather(scenario, name, before, burn_in + days, seed) for name in scenario["depots"]], axis=1)
    return Calendar(start, burn_in, days, sky, world.work_factor(scenario, before, burn_in + days))


def simulate(
    scenario: Scenario,
    *,
    vehicles: int,
    weeks: int,
    seed: int,
    out: Path,
    progress: Callable[[int], None] | None = None,
    file_format: str = "parquet",
    open_standard_only: bool = False,
) -> None:
    """Write drops (one folder a month) and `truth/` below `out`.

    Args:
        scenario: From `read_scenario`.
        vehicles: How many.
        weeks: How long.
        seed: Same seed, same bytes.
        out: Folder; made where it is missing, and emptied of an earlier fleet.
        progress: Called with the number of vehicles done since the call before.
        file_format: Of the big tables: parquet or csv.
        open_standard_only: Only what the open standard reads on every vehicle.
    """
    if vehicles < 1 or weeks < 1:
        raise ScenarioError(f"{vehicles} vehicles, {weeks} weeks: nothing to simulate. Give at least 1 of each.")
    constants = Constants.of(scenario)
    calendar = calendar_of(scenario, weeks=weeks, seed=seed)
    if out.exists():
        _clear(out)
    writer = Writer(out, constants, calendar, seed, file_format, open_standard_only=open_standard_only)
    for first in range(0, vehicles, BLOCK):
        numbers = np.arange(first, min(first + BLOCK, vehicles))
        lived = live(constants, calendar, numbers, seed)
        writer.block(lived, first // BLOCK)
        if progress is not None:
            progress(len(numbers))
    writer.close()


def _clear(out: Path) -> None:
    for child in out.iterdir():
        if child.is_dir() and (child.name == "truth" or child.name[:4].isdigit()):
            shutil.rmtree(child)
