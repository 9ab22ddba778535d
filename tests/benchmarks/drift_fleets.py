"""A light fleet for measuring the drift stage: arrays of healthy or drifting readings, with their truth.

It shares nothing with the simulator. A reading is centre + offset + season + wander + noise with memory + what is
planted, learned anew after resets, modules and calibrations. All lengths are in sigmas of the healthy noise.
"""

from dataclasses import dataclass

import numpy as np
from drift_frames import START, evidence_and_history
from drift_plants import Planter, Plants, none_planted, some_defects

from pipelines.handover import Evidence, History

__all__ = ["START", "Fleet", "World", "light_fleet"]

SLOW_DAYS = 300.0  # time constant of the slow healthy movement of a level
ROLL_OUT_DAYS = 60.0  # over which a new calibration reaches the vehicles
AFTER_EVENT_DAYS, AFTER_SWITCH_DAYS = 56.0, 21.0  # how long a stratum lasts


@dataclass(frozen=True, kw_only=True)
class World:
    """What a light fleet is like. Where several values can be given, corrections take them in turn."""

    vehicles: int = 60
    families: int = 1
    family_sizes: tuple[int, ...] = ()  # instead of the two above
    weeks: int = 104
    corrections: int = 20
    depots: int = 2
    memory: float | tuple[float, ...] = 0.5  # of the noise over a week
    tails: float | tuple[float, ...] = 0.0  # degrees of freedom of the innovations; 0: normal
    step: float | tuple[float, ...] = 0.0  # resolution
    wander: float | tuple[float, ...] = 0.0  # sd of the slow healthy movement of a level
    wander_follows: float = 0.0  # exponent of a vehicle's scatter by which it moves more; 0: all alike
    season: float = 1.0  # amplitude of the year, alike for all
    depot_season: float = 0.3  # amplitude of what a depot adds
    switch: float = 0.0  # jump of all, twice a year
    switch_lag: float = 0.0  # days until the last vehicle has the other fuel
    centre: float = 5.0  # sd of families' centres
    offset: float = 2.0  # sd of vehicles' levels
    depot_level: float = 0.0  # sd of what a depot's conditions (altitude, heat, fuel) add to all its vehicles
    duty_level: float = 0.0  # the same of a duty at a depot
    altitude: float = 0.0  # what the last depot adds in every second correction
    depot_jump: float = 0.0  # by how much the first depot's conditions change in a day, in every second correction
    moving: float = 0.0  # share of vehicles that move to the next depot in the second year
    vehicle_scatter: float = 0.0  # log sd of vehicles' noise: sensors, duty and readers differ
    series_scatter: float = 0.0  # log sd of series' noise about their vehicle's
    authority: float = 25.0  # half
    days_apart: float = 7.0
    jitter: float = 1.0  # days
    missed: float = 0.0  # share of readings not taken
    irregular: float = 0.0  # share of vehicles that come after days, or after weeks, irregularly
    joining: float = 0.0  # share of vehicles that join in the first half
    resets: float = 0.0  # a vehicle-year
    modules: float = 0.0  # exchanged, a vehicle-year
    calibrations: int = 0  # new ones rolled out, each moving every centre by about a sigma
    learn_hours: float = 0.0  # the catalogue's, in the correction's region; 0: anew at once
    drifting: float = 0.0  # share of vehicles with a defect at some time
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """Evidence and history as the stages take them, and the truth; R readings, sorted by vehicle, then time."""

    evidence: Evidence
    history: History
    day: np.ndarray  # [R] since START
    vehicle: np.ndarray  # [R]
    family: np.ndarray  # [R]
    plants: Plants
    level: np.ndarray  # [vehicles, C] centre and offset, at first
    season: np.ndarray  # [R, C]
    noise: np.ndarray  # [R, C] what is left of the reading besides level, season and planted, before rounding
    scatter: np.ndarray  # [vehicles] of their noise, against a vehicle like most
    marks: dict[str, np.ndarray]  # [R] strata


def light_fleet(world: World, planter: Planter | None = None) -> Fleet:
    """A fleet of `world`.

    Args:
        world: What it is like.
        planter: Function of (day [R], vehicle [R], generator) giving what is planted; None: what `world.drifting` says.
    """
    rng = np.random.default_rng(world.seed)
    family_of, depot_of = _members(world)
    vehicles, m = len(family_of), world.corrections
    vehicle, day, irregular = _readings(world, vehicles, rng)
    family, depot = family_of[vehicle], depot_of[vehicle]
    noise, scatter = _noise(world, vehicle, day, rng)
    plants = _plants(world, planter, day, vehicle, rng)
    season = _season(world, family, depot, day, rng)
    switching, switched = _switches(world, family, vehicle, day, rng)
    season += switching
    centre = rng.normal(0, world.centre, (family_of.max() + 1, m))
    level = centre[family_of] + rng.normal(0, world.offset, (vehicles, m))
    calibration, shift = _calibrations(world, family_of, vehicle, day, rng)
    events = _events(world, vehicle, day, plants, rng)
    depot, duty, conditions = _conditions(world, vehicle, day, depot)
    season += conditions
    health = level[vehicle] + season + shift
    gap = _relearning(world, vehicle, day, health + plants.change, shift, plants, events, rng)
    x = health + plants.change + noise + gap
    resolution = _each(world.step, m)
    rounded = np.round(x / np.where(resolution > 0, resolution, 1)) * resolution
    evidence, history = evidence_and_history(
        np.where(resolution > 0, rounded, x),
        vehicle=vehicle, day=day, family_of=family_of, depot=depot, duty=duty, calibration=calibration, events=events,
        authority=world.authority, resolution=resolution, learn_hours=world.learn_hours,
    )  # fmt: skip
    return Fleet(
        evidence=evidence, history=history, day=day, vehicle=vehicle, family=family, plants=plants, level=level,
        season=season + shift, noise=noise + gap, scatter=scatter,
        marks={
            **{f"8 weeks after a {name}": _after(rows, vehicle, day) for name, rows in events.items()},
            "8 weeks after a new calibration": _after(_changed(calibration, vehicle), vehicle, day),
            "fuel-switch weeks": switched,
            "irregular readers": irregular[vehicle],
            "families of 3 to 10": (np.bincount(family_of) <= 10)[family],
        },
    )  # fmt: skip


def _each(value: float | tuple[float, ...], corrections: int) -> np.ndarray:
    return np.resize(np.atleast_1d(np.asarray(value, dtype=float)), corrections)


def _members(world: World) -> tuple[np.ndarray, np.ndarray]:
    """Family and depot of each vehicle."""
    if world.family_sizes:
        family = np.repeat(np.arange(len(world.family_sizes)), world.family_sizes)
        place = np.concatenate([np.arange(size) for size in world.family_sizes])
        return family, place % world.depots
    order = np.arange(world.vehicles)
    return order % world.families, (order // world.families) % world.depots


def _readings(world: World, vehicles: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """[R] vehicle and day, and which vehicles come irregularly."""
    end = world.weeks * 7.0
    irregular = rng.random(vehicles) < world.irregular
    joined = np.where(rng.random(vehicles) < world.joining, rng.uniform(0, end / 2, vehicles), 0.0)
    vehicle, day = [], []
    for v in range(vehicles):
        if irregular[v]:
            apart = rng.choice([3.0, 7.0, 14.0, 21.0])
            t = np.cumsum(rng.gamma(4, apart / 4, int(2 * end / apart)))
        else:
            apart, n = world.days_apart, int(end / world.days_apart)
            t = np.arange(n) * apart + rng.uniform(0, apart) + rng.uniform(-0.5, 0.5, n) * min(world.jitter, apart)
        t = np.sort(t[(t >= joined[v]) & (t < end) & (rng.random(len(t)) >= world.missed)])
        vehicle.append(np.full(len(t), v))
        day.append(t)
    return np.concatenate(vehicle), np.concatenate(day), irregular


def _steps(vehicle: np.ndarray) -> tuple[np.ndarray, list[np.ndarray]]:
    """First reading of each vehicle, and then the rows of every vehicle's second, third ... reading."""
    first = _changed(np.zeros(len(vehicle)), vehicle, also_first=True)
    nth = np.arange(len(vehicle)) - np.maximum.accumulate(np.where(first, np.arange(len(vehicle)), 0))
    order = np.argsort(nth, kind="stable")
    return np.flatnonzero(first), np.split(order, np.cumsum(np.bincount(nth)))[1:-1]


def _changed(of: np.ndarray, vehicle: np.ndarray, *, also_first: bool = False) -> np.ndarray:
    """[R] other than at the vehicle's reading before."""
    new = np.zeros(len(vehicle), dtype=bool)
    same = vehicle[1:] == vehicle[:-1]
    new[1:] = np.where(same, of[1:] != of[:-1], also_first)
    new[0] = also_first
    return new


def _conditions(
    world: World, vehicle: np.ndarray, day: np.ndarray, depot: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """[R] depot and duty at each reading, [R, C] what their conditions add. Of a seed of its own: other worlds stay."""
    rng = np.random.default_rng([world.seed, 1])
    count, m = vehicle.max() + 1, world.corrections
    moved = np.where(rng.random(count) < world.moving, day.max() * rng.uniform(0.5, 0.9, count), np.inf)
    depot = np.where(day >= moved[vehicle], (depot + 1) % world.depots, depot)
    duty = rng.integers(3 if world.duty_level else 1, size=count)[vehicle]
    second = np.arange(m) % 2 == 1
    level = rng.normal(0, 1, (world.depots, 3, m)) * world.duty_level
    level += rng.normal(0, 1, (world.depots, 1, m)) * world.depot_level
    level[-1, :, second] += world.altitude
    jumped = (depot == 0) & (day > day.max() * 0.6)
    return depot, duty, level[depot, duty] + world.depot_jump * (jumped[:, None] & second)


def _noise(
    world: World, vehicle: np.ndarray, day: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """[R, C] stationary noise with memory, of sd 1 times series' scatter, and slow wander; [vehicles] their scatter."""
    m = world.corrections
    shape, tails, memory = (len(day), m), _each(world.tails, m), _each(world.memory, m)
    draw = rng.standard_normal(shape)
    heavy = np.flatnonzero(tails)
    draw[:, heavy] = rng.standard_t(tails[heavy], (len(day), len(heavy))) / np.sqrt(tails[heavy] / (tails[heavy] - 2))
    fast = _remembered(draw, vehicle, day, np.where(memory > 0, -7 / np.log(np.maximum(memory, 1e-9)), 0.01))
    own = np.random.default_rng([world.seed, 2])
    scatter = np.exp(own.normal(0, world.vehicle_scatter, vehicle.max() + 1))
    fast *= (scatter[:, None] * np.exp(own.normal(0, world.series_scatter, (vehicle.max() + 1, m))))[vehicle]
    wander = _each(world.wander, m)
    if not wander.any():
        return fast, scatter
    slow = wander * _remembered(rng.standard_normal(shape), vehicle, day, np.full(m, SLOW_DAYS))
    return fast + (scatter**world.wander_follows)[vehicle, None] * slow, scatter


def _remembered(draw: np.ndarray, vehicle: np.ndarray, day: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Ornstein-Uhlenbeck processes of sd 1 with time constants `days` [C], from draws of sd 1."""
    out = draw.copy()
    for rows in _steps(vehicle)[1]:
        rho = np.exp(-(day[rows] - day[rows - 1])[:, None] / days)
        out[rows] = rho * out[rows - 1] + np.sqrt(1 - rho**2) * draw[rows]
    return out


def _season(
    world: World, family: np.ndarray, depot: np.ndarray, day: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """[R, C] what all of a family, and what those of a depot, do in a year."""
    angle = 2 * np.pi * day[:, None] / 365
    shape = (family.max() + 1, world.depots, world.corrections)
    all_alike, own = rng.uniform(0, 2 * np.pi, shape[::2]), rng.uniform(0, 2 * np.pi, shape)
    return world.season * np.sin(angle + all_alike[family]) + world.depot_season * np.sin(angle + own[family, depot])


def _switches(
    world: World, family: np.ndarray, vehicle: np.ndarray, day: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """[R, C] what the winter's fuel does, each vehicle filling up in its own time; [R] in the weeks of a change."""
    if not world.switch:
        return np.zeros((len(day), world.corrections)), np.zeros(len(day), dtype=bool)
    lag = rng.uniform(0, world.switch_lag, vehicle.max() + 1)[vehicle] if world.switch_lag else 0.0
    winter = np.floor((day - lag + 90) / 182) % 2
    way = rng.choice([-1, 1], (family.max() + 1, world.corrections))[family]
    weeks = ((day + 90) % 182 < AFTER_SWITCH_DAYS) & (day > AFTER_SWITCH_DAYS)
    return world.switch * winter[:, None] * way, weeks


def _plants(
    world: World, planter: Planter | None, day: np.ndarray, vehicle: np.ndarray, rng: np.random.Generator
) -> Plants:
    if planter is not None:
        return planter(day, vehicle, rng)
    shape = (len(day), world.corrections)
    return some_defects(day, vehicle, shape, world.drifting, rng) if world.drifting else none_planted(shape)


def _calibrations(
    world: World, family_of: np.ndarray, vehicle: np.ndarray, day: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """[R] index of the calibration, [R, C] how far it moves the centre."""
    calibration = np.zeros(len(day), dtype=int)
    shift = np.zeros((len(day), world.corrections))
    families = family_of.max() + 1
    for turn in range(world.calibrations):
        released = rng.uniform(0.35, 0.8, families) * world.weeks * 7
        reached = released[family_of] + rng.uniform(0, ROLL_OUT_DAYS, len(family_of))
        has = day >= reached[vehicle]
        calibration[has] += turn + 1
        shift += has[:, None] * rng.normal(0, 1, (families, world.corrections))[family_of[vehicle]]
    return calibration, shift


def _events(
    world: World, vehicle: np.ndarray, day: np.ndarray, plants: Plants, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """[R] by kind: first reading after learned values were set back."""
    first = _changed(np.zeros(len(day)), vehicle, also_first=True)
    years = np.where(first, 0.0, np.diff(day, prepend=0.0)) / 365.25
    rates = {"reset": world.resets, "module": world.modules}
    events = {name: rng.random(len(day)) < 1 - np.exp(-np.maximum(rate * years, 0)) for name, rate in rates.items()}
    return {**events, "repair": plants.reset}


def _relearning(  # noqa: PLR0917
    world: World, vehicle: np.ndarray, day: np.ndarray, target: np.ndarray, shift: np.ndarray, plants: Plants,
    events: dict[str, np.ndarray], rng: np.random.Generator,
) -> np.ndarray:  # fmt: skip
    """[R, C] how far what is learned is from what it will come to; each correction takes its own time."""
    gap = np.zeros_like(target)
    if not world.learn_hours:
        return gap
    days = world.learn_hours * rng.uniform(1.5, 4.5, world.corrections) / 1.5  # a region has a third of the hours
    anew = events["reset"] | events["module"] | events["repair"]
    for rows in _steps(vehicle)[1]:
        dt = (day[rows] - day[rows - 1])[:, None]
        since = np.exp(-dt * rng.random((len(rows), 1)) / days)
        cured = np.where(plants.change[rows] == 0, plants.change[rows - 1], 0.0)
        stale = np.exp(-dt / days) * gap[rows - 1] + since * (cured - (shift[rows] - shift[rows - 1]))
        gap[rows] = np.where(anew[rows, None], -target[rows] * since, stale)
    return gap


def _after(rows: np.ndarray, vehicle: np.ndarray, day: np.ndarray) -> np.ndarray:
    """[R] within some weeks of an event."""
    since = np.where(rows, day, -np.inf)
    since = np.maximum.accumulate(since + vehicle * 1e6) - vehicle * 1e6
    return (day - since) < AFTER_EVENT_DAYS
