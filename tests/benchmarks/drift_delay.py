"""How late changes are found, held against the reference test on the very same readings of light fleets."""

from collections.abc import Iterator

import numpy as np
from drift_fleets import Fleet, World, light_fleet
from drift_light import drift_of
from drift_plants import one_each
from drift_reference import LAWS, evidence, first_after, memory_days, restricted_mean, threshold
from drift_table import Line, rate_interval, ratio_interval

CELLS = (("ramp", 0.5), ("ramp", 1.0), ("ramp", 2.0), ("step", 1.0), ("step", 2.0), ("step", 3.0))
CAP = 52  # readings
PROMISE, OF_CORRECTIONS, CORRECTIONS = 0.2, 70, 20
MEMORY = 0.5
FALSE_ALARM_EVERY = OF_CORRECTIONS * 365.25 / 7 / PROMISE  # readings of one correction


def name_of(law: str, size: float) -> str:
    """How a cell is called in the table."""
    return f"{law} of {size:g} sigma" + ("" if law == "step" else " / 30 days")


def delay_lines(*, plants: int) -> Iterator[Line]:
    """A line a cell: restricted mean delay over the reference's, or the share found over its (steps of one sigma)."""
    quiet = []
    for law, size in CELLS:
        world = World(vehicles=plants, corrections=CORRECTIONS, weeks=110, depot_season=0.0, memory=MEMORY, seed=21)
        fleet = light_fleet(world, one_each(law, size, CORRECTIONS))
        family = drift_of(fleet, PROMISE * CORRECTIONS / OF_CORRECTIONS).families[0]
        quiet.append(_first_alarms(fleet, family.alarm))
        yield from _cell(law, size, fleet, family.alarm)
    counts, readings = (np.concatenate(column) for column in zip(*quiet, strict=True))
    low, high = rate_interval(counts, readings / FALSE_ALARM_EVERY)
    yield Line(
        measure="  false alarms over nominal", of="corrections without a change, readings 27 on",
        n=int(counts.sum()), value=counts.sum() / readings.sum() * FALSE_ALARM_EVERY, low=low, high=high,
    )  # fmt: skip


def _cell(law: str, size: float, fleet: Fleet, alarm: np.ndarray) -> Iterator[Line]:
    plants, rows = fleet.plants, np.arange(len(fleet.day))
    start = np.searchsorted(fleet.vehicle, np.arange(len(plants.where) + 1))
    onset = np.array([start[v] + np.sum(fleet.day[start[v] : start[v + 1]] <= at) for v, at in enumerate(plants.onset)])
    mine = plants.where[fleet.vehicle]
    readings = fleet.noise[rows, mine] + plants.change[rows, mine]
    days = np.full(len(plants.where), memory_days(MEMORY))
    limit = threshold(LAWS[law], size, MEMORY, FALSE_ALARM_EVERY)
    best = first_after(evidence(readings, fleet.day, start, days, LAWS[law], size) > limit, start, onset)
    ours = first_after(alarm[rows, mine], start, onset)
    both = ~np.isnan(best) & ~np.isnan(ours)
    best, ours = best[both], ours[both]
    left = (start[1:] - onset)[both].astype(float)
    of = name_of(law, size)
    if (law, size) == ("step", 1.0):
        ratio, low, high = ratio_interval((ours <= CAP) * 1.0, (best <= CAP) * 1.0)
        of += f": {np.mean(ours <= CAP):.2f} against {np.mean(best <= CAP):.2f}"
        yield Line(
            measure="share found over reference's", of=of, n=len(ours), value=ratio, low=low, high=high, at_least=0.9
        )
        return
    means = [restricted_mean(delay, left, CAP) for delay in (ours, best)]
    _, low, high = ratio_interval(np.minimum(ours, CAP), np.minimum(best, CAP))
    of += f": {means[0]:.1f} against {means[1]:.1f}"
    yield Line(
        measure="delay over reference's", of=of, n=len(ours), value=means[0] / means[1], low=low, high=high, at_most=1.2
    )


def _first_alarms(fleet: Fleet, alarm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """By vehicle: first alarms of corrections without a change, after 26 readings, and readings until then."""
    start = np.searchsorted(fleet.vehicle, np.arange(len(fleet.plants.where) + 1))
    counts, readings = np.zeros(len(start) - 1), np.zeros(len(start) - 1)
    for v in range(len(counts)):
        on = np.delete(alarm[start[v] + 26 : start[v + 1]], fleet.plants.where[v], axis=1)
        on = on[:, ~on[0]]
        counts[v] = on.any(axis=0).sum()
        readings[v] = np.where(on.any(axis=0), on.argmax(axis=0) + 1, len(on)).sum()
    return counts, readings
