"""Alarms on steady growth that end and come again: of how many, on light fleets.

    python tests/benchmarks/alarms_again.py [VEHICLES]

In every vehicle one correction grows steadily from a day in weeks 40 to 52 on, by 0.3, 0.5, 1 or 2 sigmas in 30 days.
Counted are alarms of that correction after the onset; those that end though it still grows; and those that come again
within three weeks of it. Fleets as in the study of false alarms: noise with and without memory, tails, rounding, a
season, readings missed, wander. Intervals hold 95 times in a hundred (over vehicles).
"""

import sys

import numpy as np
from drift_fleets import World, light_fleet
from drift_light import drift_of
from drift_plants import one_each
from drift_table import share_interval

from pipelines.bands.normal import days

SIZES = (0.3, 0.5, 1.0, 2.0)  # sigmas in 30 days
AGAIN_DAYS = 21.0
PROMISE = 0.1
WORLD = {
    "weeks": 110, "corrections": 8, "memory": (0.2, 0.5, 0.8), "tails": (0.0, 6.0), "step": (0.0, 0.5, 1.0, 0.0),
    "wander": 0.2, "missed": 0.06, "vehicle_scatter": 0.2, "series_scatter": 0.1,
}  # fmt: skip


def ends_and_returns(alarm: np.ndarray, day: np.ndarray) -> tuple[int, int, int]:
    """Of one series: alarms that began, that ended, and that came again within `AGAIN_DAYS` of their end.

    Args:
        alarm: [R] whether it stands.
        day: [R].
    """
    turns = np.diff(alarm.astype(int), prepend=0)
    begins, ends = day[turns == 1], day[turns == -1]
    again = sum(bool(((begins > end) & (begins <= end + AGAIN_DAYS)).any()) for end in ends)
    return len(begins), len(ends), again


def counted(size: float, vehicles: int, seed: int) -> np.ndarray:
    """[vehicles, 3] as `ends_and_returns` gives them."""
    world = World(vehicles=vehicles, seed=seed, **WORLD)
    fleet = light_fleet(world, one_each("ramp", size, world.corrections))
    rows = []
    for family in drift_of(fleet, PROMISE).families:
        panel, day = family.panel, days(family.panel)
        for v, name in enumerate(panel.vehicles):
            mine = np.arange(panel.row_start[v], panel.row_start[v + 1])
            number = int(name.rpartition("-")[2])
            onset, where = fleet.plants.onset[number], fleet.plants.where[number]
            grown = mine[day[mine] - day.min() > onset]
            rows.append(ends_and_returns(family.alarm[grown, where], day[grown]))
    return np.array(rows)


def main() -> None:
    """A line for each pace, and one for all."""
    vehicles = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    found = []
    for number, size in enumerate(SIZES):
        rows = counted(size, vehicles, 300 + number)
        found.append(rows)
        print(_line(f"{size:g} sigmas in 30 days", rows), flush=True)
    print(_line("all", np.concatenate(found)))


def _line(name: str, rows: np.ndarray) -> str:
    began, ended, again = rows.sum(axis=0)
    low, high = share_interval(int(again), int(began))
    return (
        f"{name:24} {began:4} alarms of {len(rows)} vehicles, {ended:3} ended, {again:3} came again within "
        f"{AGAIN_DAYS:g} days: {again / max(began, 1):.3f} ({low:.3f} to {high:.3f})"
    )


if __name__ == "__main__":
    main()
