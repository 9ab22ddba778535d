"""Futures simulated and not written: what would have been without work, how healthy noise spreads, the oracle."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from synthetic_fleet import defects, world
from synthetic_fleet.block import AHEAD, Calendar, Lived
from synthetic_fleet.constants import Constants
from synthetic_fleet.corrections import COUNT
from synthetic_fleet.module import live_one_day
from synthetic_fleet.state import NEVER, Array, Fleet, joined, new_events, taken
from synthetic_fleet.vehicles import Vehicle, block_of, enlist

POOL = 24  # vehicles a family whose healthy noise is measured
POOL_DAYS = 240
SETTLE_DAYS = 60
HORIZONS = (7, 30, 90)
CHUNK_PATHS = 8000  # futures simulated at once


class Crossing(NamedTuple):
    """A limit that the noise-free level would have met, had the work of a day not been done."""

    row: int
    correction: int
    day: int
    worked_on: int | None  # None: no work was done, the end of the simulation came first


def healthy_sigma(constants: Constants, calendar: Calendar, seed: int) -> Array:
    """[families, corrections]: sd of settled healthy noise, slow wander left out.

    Vehicles without defects, scattering as most do, live twice through the same days, with and without random
    disturbances.
    """
    out = np.ones(constants.fitted.shape)
    for family in range(len(constants.families)):
        pool = [enlist(constants, 10**6 + number, (-calendar.burn_in, 7), seed) for number in range(POOL)]
        for vehicle in pool:
            vehicle.family, vehicle.joined = family, -calendar.burn_in
            vehicle.scatter, vehicle.scatters = 1.0, np.ones(COUNT)
        noisy, calm = block_of(constants, pool, seed), block_of(constants, pool, seed)
        events, apart = new_events(POOL), []
        for day in range(-calendar.burn_in, -calendar.burn_in + POOL_DAYS):
            live_one_day(calendar.today(day, wander=0.0), constants.world, noisy, events)
            live_one_day(calendar.today(day, dose=0.0, wander=0.0), constants.world, calm, events)
            if day >= -calendar.burn_in + SETTLE_DAYS and day % 7 == 0:
                apart.append(noisy.vehicles.learned - calm.vehicles.learned)
        spread = np.sqrt(np.mean(np.square(apart), axis=(0, 1)))
        step = constants.world.settings.resolution
        out[family] = np.sqrt(spread**2 + step**2 / 12.0)
    return out


def without_work(lived: Lived, constants: Constants, calendar: Calendar) -> list[Crossing]:
    """Limits that would have been met within AHEAD days had a repair not been made, and after the last day."""
    everyone = np.flatnonzero((lived.fleet.defects.law >= 0).any(axis=1))
    ghosts = [ghost for ghost in lived.workshop.ghosts if ghost[0] >= 0]
    rows = [*(row for _, row, _ in ghosts), *everyone]
    begins = np.array([day for day, _, _ in ghosts] + [calendar.days] * len(everyone))
    if not len(begins):
        return []
    fleet = joined([*(fleet for _, _, fleet in ghosts), taken(lived.fleet, everyone)])
    fleet.vehicles.crossed[:] = np.where(fleet.vehicles.crossed == -1, -1, -2)  # met before: known already
    alive = fleet.vehicles.active.copy()
    events = new_events(len(begins))
    for day in range(int(begins.min()), calendar.days + AHEAD):
        fleet.vehicles.active[:] = alive & (begins <= day) & (day < begins + AHEAD)
        live_one_day(calendar.today(day, dose=0.0, wander=0.0), constants.world, fleet, events)
    found = []
    for k, column in np.argwhere(fleet.vehicles.crossed >= 0):
        worked = int(begins[k]) if begins[k] < calendar.days else None
        found.append(Crossing(int(rows[k]), int(column), int(fleet.vehicles.crossed[k, column]), worked))
    return found


def oracle(
    constants: Constants, calendar: Calendar, vehicles: list[Vehicle], fleet: Fleet, day: int, *, paths: int, seed: int
) -> Array:
    """[vehicles, 2, horizons]: share of run-to-fault futures with a code set within 7, 30 and 90 days of `day`.

    Each half has its own `paths` futures per vehicle, from the true hidden state at the end of that day, with nobody
    doing any work. NaN: the vehicle is not in service.
    """
    out = np.full((len(vehicles), 2, len(HORIZONS)), np.nan)
    serving = np.flatnonzero(fleet.vehicles.active)
    at_once = max(1, CHUNK_PATHS // (2 * paths))
    for begin in range(0, len(serving), at_once):
        rows = serving[begin : begin + at_once]
        paired = taken(fleet, np.repeat(rows, 2 * paths))
        first = _first_faults(constants, calendar, [vehicles[r] for r in rows], paired, day=day, seed=seed)
        for k, horizon in enumerate(HORIZONS):
            out[rows, :, k] = (first.reshape(len(rows), 2, paths) <= horizon).mean(axis=2)
    return out


def _first_faults(
    constants: Constants, calendar: Calendar, vehicles: list[Vehicle], fleet: Fleet, *, day: int, seed: int
) -> Array:
    """Days until the first code sets, of every path; NEVER where none does within the last horizon."""
    count = fleet.vehicles.active.shape[0]
    paths = count // len(vehicles)
    todo: dict[int, list[tuple[int, defects.Defect]]] = {}
    for k, vehicle in enumerate(vehicles):
        rng = np.random.default_rng([seed, vehicle.number, 5, day])
        here = slice(k * paths, (k + 1) * paths)
        fleet.vehicles.stream[here] = rng.integers(0, 2**63, paths, dtype=np.uint64)
        family = constants.families[vehicle.family]
        rates = defects.rates(constants.scenario, family, vehicle.factors_on(day))
        rates["fuel_contaminated"] = world.bad_tank_rate(constants.scenario)
        for defect in defects.onsets(constants, family, (0, HORIZONS[-1] * paths), rng, rates):
            path, days = divmod(defect.day, HORIZONS[-1])  # one long span, cut into the paths
            onset = day + 1 + days
            begins = replace(defect, day=onset, ends=min(NEVER, onset + defect.ends - defect.day))
            todo.setdefault(onset, []).append((k * paths + path, begins))
    first = np.full(count, NEVER)
    events = new_events(count)
    for ahead in range(1, HORIZONS[-1] + 1):
        for row, defect in todo.get(day + ahead, ()):
            defects.put(fleet.defects, row, defect, constants.causes)
        for row, slot in np.argwhere(fleet.defects.ends <= day + ahead):
            defects.take_out(fleet.defects, int(row), int(slot))
        live_one_day(calendar.today(day + ahead), constants.world, fleet, events)
        fresh = events.row[: events.total[0]]
        first[fresh] = np.minimum(first[fresh], ahead)
        fleet.vehicles.active[fresh] = False
    return first
