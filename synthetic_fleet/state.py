"""What the compiled day works on: the arrays of a block of vehicles, and what all vehicles share. No computing."""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

SLOTS = 4  # defects of a vehicle at once
PARTS = 3  # physical parameters that one defect changes
SLOW = 5  # slow states of a vehicle: fuel (per cent), octane (deg), vapour (per cent), friction (Nm), electric (Nm)
FUEL, OCTANE, VAPOUR, FRICTION, ELECTRIC = range(SLOW)
NEVER = 10**6  # a day that does not come


class Vehicles(NamedTuple):
    """One row a vehicle; learned values, levels and deviations are [rows, corrections], less neutral."""

    active: Array  # bool: in service
    family: Array
    depot: Array
    duty: Array
    use: Array  # hours of an average driven day
    kmh: Array
    regions: Array  # [rows, regions] share of ignition-on time
    streams: Array  # random numbers, see stream
    learned: Array
    disturbance: Array  # of the day: routes, drivers, fuel, as far as each correction sees them
    wander: Array  # slow healthy wander
    base: Array  # the vehicle's own normal, and its calibration's
    slow: Array  # [rows, SLOW]
    burnt: Array  # [rows, 2] oxygen storage that misfire and rich running have cost each bank
    deviation: Array  # noise-free deviation from health
    crossed: Array  # day on which the noise-free level met a limit that can fault; -1: not
    clock: Array  # the module's, h
    km: Array
    warmups: Array  # since the codes were cleared
    cleared_km: Array  # odometer when the codes were cleared
    hours: Array  # of ignition on today
    stopped: Array  # bool: a sensor fault stands, fuel is not learned


class Defects(NamedTuple):
    """[rows, SLOTS] each."""

    law: Array  # index into growth.LAWS; -1: slot is free
    severity: Array
    rate: Array  # a day of average use
    level: Array
    on: Array  # bool: acts today
    part: Array  # [rows, SLOTS, PARTS] physical parameter; -1: none
    size: Array  # [rows, SLOTS, PARTS] its change at severity 1
    cause: Array  # index into the causes
    place: Array  # bank, cylinder, cam or circuit from 0; -1: the engine
    ends: Array  # day on which it goes by itself


class Memory(NamedTuple):
    """The fault memory, [rows, codes] each."""

    status: Array  # 0 nothing, 1 pending, 2 confirmed
    present: Array  # bool: found today
    clean: Array  # warm-ups without it
    occurrences: Array
    set_clock: Array  # the module's clock when it was confirmed


class Fleet(NamedTuple):
    """A block of vehicles."""

    vehicles: Vehicles
    defects: Defects
    memory: Memory


class Settings(NamedTuple):
    """Of each correction, [corrections] each; then scalars."""

    neutral: Array
    low: Array
    high: Array
    resolution: Array
    learn_hours: Array
    region: Array
    noise: Array  # sd of the daily disturbance's level
    slow_noise: Array  # [SLOW]
    ageing: Array  # per km
    wander: float  # sd of the slow wander over the noise
    memory_days: float


class Monitors(NamedTuple):
    """Which limits and which parameters set which code; codes are indices, -1: none."""

    high: Array  # [families, corrections]
    low: Array
    part: Array  # [extra] physical parameter
    at: Array  # [extra] from which value on
    code: Array  # [families, extra]
    once: Array  # [extra] bool: sets at once
    stops: Array  # [codes] bool: fuel is not learned while it stands


class World(NamedTuple):
    """What all vehicles of a scenario share."""

    families: Array  # [families, numbers], see engine
    settings: Settings
    monitors: Monitors


class Today(NamedTuple):
    """The day."""

    number: int
    weather: Array  # [depots, 5], see world
    factor: Array  # [duties] share of an average day's use
    dose: float  # scale of the random healthy disturbances; 0: noise-free
    wander: float  # scale of the slow wander


class Events(NamedTuple):
    """Codes confirmed today, in order of rows."""

    row: Array
    code: Array
    total: Array  # [1] how many


def taken(fleet: Fleet, rows: Array) -> Fleet:
    """Copies of some rows (repeats allowed), free to live another future."""
    return Fleet(
        Vehicles(*(array[rows] for array in fleet.vehicles)),
        Defects(*(array[rows] for array in fleet.defects)),
        Memory(*(array[rows] for array in fleet.memory)),
    )


def joined(fleets: list[Fleet]) -> Fleet:
    """Several blocks as one."""
    return Fleet(
        Vehicles(*(np.concatenate(arrays) for arrays in zip(*(f.vehicles for f in fleets), strict=True))),
        Defects(*(np.concatenate(arrays) for arrays in zip(*(f.defects for f in fleets), strict=True))),
        Memory(*(np.concatenate(arrays) for arrays in zip(*(f.memory for f in fleets), strict=True))),
    )


def new_events(vehicles: int) -> Events:
    """Room for a day's events of a block."""
    room = 6 * vehicles + 60
    return Events(np.zeros(room, np.int64), np.zeros(room, np.int64), np.zeros(1, np.int64))
