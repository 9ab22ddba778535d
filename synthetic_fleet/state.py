"""What the compiled day works on: records of a block of vehicles, and what all vehicles share. No computing.

Records, not one array a field: the compiled functions then take one vehicle, one defect or one code as a whole, which
reads better and compiles in half the time.
"""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from synthetic_fleet.corrections import COUNT

Array = npt.NDArray[Any]
Record = Any  # one element of the arrays below

SLOTS = 4  # defects of a vehicle at once
PARTS = 3  # physical parameters that one defect changes
REGIONS = (
    "idle",
    "low",
    "mid",
    "high",
    "flow_1",
    "flow_2",
    "flow_3",
    "flow_4",
    "flow_5",
    "all",
    "standstill",
    "idle|low",
)
SLOW = 5  # slow states of a vehicle: fuel (per cent), octane (deg), vapour (per cent), friction (Nm), electric (Nm)
FUEL, OCTANE, VAPOUR, FRICTION, ELECTRIC = range(SLOW)
NEVER = 10**6  # a day that does not come

# [vehicles]; learned values, levels and deviations are less neutral, in the unit of their correction
VEHICLE = np.dtype(
    [
        ("active", np.bool_),  # in service
        ("stopped", np.bool_),  # a sensor fault stands, fuel is not learned
        ("family", np.int64),
        ("depot", np.int64),
        ("duty", np.int64),
        ("stream", np.uint64),  # random numbers, see stream
        ("use", np.float64),  # hours of an average driven day
        ("kmh", np.float64),
        ("clock", np.float64),  # the module's, h
        ("km", np.float64),
        ("warmups", np.float64),  # since the codes were cleared
        ("cleared_km", np.float64),  # odometer when the codes were cleared
        ("hours", np.float64),  # of ignition on today
        ("regions", np.float64, (len(REGIONS),)),  # share of ignition-on time
        ("scatter", np.float64),  # of its slow states and, on average, of its corrections, over a usual vehicle's
        ("scatters", np.float64, (COUNT,)),  # of each correction
        ("slow", np.float64, (SLOW,)),
        ("burnt", np.float64, (2,)),  # oxygen storage that misfire and rich running have cost each bank
        ("learned", np.float64, (COUNT,)),
        ("disturbance", np.float64, (COUNT,)),  # routes, drivers, fuel, as far as each correction sees them
        ("wander", np.float64, (COUNT,)),  # slow healthy wander
        ("own", np.float64, (COUNT,)),  # the vehicle's own normal, and its calibration's
        ("deviation", np.float64, (COUNT,)),  # noise-free deviation from health
        ("crossed", np.int64, (COUNT,)),  # day on which the noise-free level met a limit; -1: not, -2: long ago
    ],
    align=True,
)
# [vehicles, SLOTS]
DEFECT = np.dtype(
    [
        ("on", np.bool_),  # acts today
        ("law", np.int64),  # index into growth.LAWS; -1: slot is free
        ("severity", np.float64),
        ("rate", np.float64),  # a day of average use
        ("level", np.float64),
        ("cause", np.int64),  # index into the causes
        ("place", np.int64),  # bank, cylinder, cam or circuit from 0; -1: the engine
        ("ends", np.int64),  # day on which it goes by itself
        ("part", np.int64, (PARTS,)),  # physical parameter; -1: none
        ("change", np.float64, (PARTS,)),  # its change at severity 1
    ],
    align=True,
)
# [vehicles, codes]: the fault memory
CODE = np.dtype(
    [
        ("status", np.int8),  # 0 nothing, 1 pending, 2 confirmed
        ("present", np.bool_),  # found today
        ("clean", np.float64),  # warm-ups without it
        ("occurrences", np.int64),
        ("set_clock", np.float64),  # the module's clock when it was confirmed
    ],
    align=True,
)
# [corrections]
SETTING = np.dtype(
    [(name, np.float64) for name in ("neutral", "low", "high", "resolution", "learn_hours", "noise", "ageing")]
    + [("region", np.int64)],
    align=True,
)


class Fleet(NamedTuple):
    """A block of vehicles."""

    vehicles: Any  # record array of VEHICLE
    defects: Any  # of DEFECT
    memory: Any  # of CODE


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
    settings: Any  # record array of SETTING; noise: sd of the daily disturbance's level
    slow_noise: Array  # [SLOW]
    wander: float  # sd of the slow wander over the noise
    memory_days: float
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


def records(shape: int | tuple[int, ...], dtype: np.dtype[Any]) -> Any:
    """Zeroed records whose fields are attributes."""
    return np.zeros(shape, dtype).view(np.recarray)


def taken(fleet: Fleet, rows: Array) -> Fleet:
    """Copies of some rows (repeats allowed), free to live another future."""
    return Fleet(*(array[rows] for array in fleet))


def joined(fleets: list[Fleet]) -> Fleet:
    """Several blocks as one."""
    return Fleet(*(np.concatenate(arrays).view(np.recarray) for arrays in zip(*fleets, strict=True)))


def new_events(vehicles: int) -> Events:
    """Room for a day's events of a block."""
    room = 6 * vehicles + 60
    return Events(np.zeros(room, np.int64), np.zeros(room, np.int64), np.zeros(1, np.int64))
