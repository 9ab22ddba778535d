"""A block of vehicles as arrays: who they are, what their modules learned, what is wrong with them."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from synthetic_fleet import corrections as c
from synthetic_fleet import engine, growth, module, parameters, stream
from synthetic_fleet.scenario import Scenario

Array = npt.NDArray[Any]
REGION_OF = {"idle": 0, "low": 1, "mid": 2, "high": 3, "flow_1": 4, "flow_2": 5, "flow_3": 6, "flow_4": 7, "flow_5": 8}
REGION_OF |= {"all": 9, "standstill": 10, "idle|low": 11}
COOL = ("P0102", "P0101", "P0106", "P0118", "P0135", "P0155", "P0133", "P0153")  # sensor codes that stop fuel learning


def longest_prefix(code: str, table: dict[str, float]) -> float:
    """Entry whose key starts the code and is the longest; 0 where none does."""
    return max(((len(key), value) for key, value in table.items() if code.startswith(key)), default=(0, 0.0))[1]


@dataclass(frozen=True)
class Constants:
    """What is the same for all vehicles of a scenario, in the order the compiled day takes it."""

    scenario: Scenario
    families: Array  # [families, FAMILY_SIZE]
    fitted: Array  # [families, corrections]
    settings: tuple[Array, ...]
    codes: tuple[str, ...]
    monitors: tuple[Array, ...]
    sigma: Array  # [corrections], rough healthy noise

    @classmethod
    def of(cls, scenario: Scenario) -> "Constants":
        """Read them out of a scenario and the catalogue."""
        healthy = scenario["healthy"]
        noise = np.array([longest_prefix(code, healthy["noise"]) for code in c.CODES]) * scenario["noise"]
        slow = np.array(healthy["slow"]) * scenario["noise"]
        ageing = np.array([longest_prefix(code, healthy["ageing_per_1000_km"]) for code in c.CODES])
        region = np.array([REGION_OF[c.catalogue()[code]["region"]] for code in c.CODES])
        settings = (
            c.column("neutral"),
            c.column("low_limit"),
            c.column("high_limit"),
            c.column("resolution"),
            c.column("learn_hours"),
            region,
            np.concatenate([noise, slow]),
            np.full(c.COUNT, healthy["memory_days"]),
            np.full(c.COUNT, scenario["wander"]),
            ageing,
        )
        rows = [_family_row(entry) for entry in scenario["families"].values()]
        fitted = np.array([c.fitted(frozenset(entry["fitted"].split())) for entry in scenario["families"].values()])
        codes, monitors = _monitors(scenario, fitted)
        return cls(scenario, np.array(rows), fitted, settings, codes, monitors, noise)


def _family_row(entry: dict[str, Any]) -> list[float]:
    order = [int(word) - 1 for word in entry["firing_order"].split("-")]
    companion = [0.0] * 6
    for place, cylinder in enumerate(order):
        companion[cylinder] = float(order[(place + len(order) // 2) % len(order)])
    banks = [float(bank - 1) for bank in entry["bank_of_cylinder"]]
    equipment = entry["fitted"].split()
    return [
        entry["cylinders"],
        max(entry["bank_of_cylinder"]),
        "air_mass_sensor" in equipment,
        "rail_pressure_sensor" in equipment,
        "egr" in equipment,
        entry["idle_mg"],
        entry["iac_points_per_idle_flow"],
        entry["flow_g_s_per_nm"],
        *entry["flow_g_s"],
        *entry["pressure_kpa"],
        *banks,
        *[0.0] * (6 - len(banks)),
        *companion,
    ]


def _monitors(scenario: Scenario, fitted: Array) -> tuple[tuple[str, ...], tuple[Array, ...]]:
    codes: dict[str, int] = {}
    high = np.full(fitted.shape, -1)
    low = np.full(fitted.shape, -1)
    families = list(scenario["families"].values())
    for f, family in enumerate(families):
        for k, code in enumerate(c.CODES):
            for side, table in (("fault_high", high), ("fault_low", low)):
                names = c.catalogue()[code][side].split("|")
                if fitted[f, k] and names[0]:
                    name = names[-1] if family["regional_codes"] and code.startswith("ltft") else names[0]
                    table[f, k] = codes.setdefault(name, len(codes))
    part, limit, once, own = [], [], [], []
    for entry in scenario["monitors"]:
        first, count = parameters.PLACES[entry["parameter"]]
        for place, name in zip(range(count), entry["codes"], strict=False):
            part.append(first + place)
            limit.append(entry["at"])
            once.append(bool(entry.get("once", False)))
            own.append(codes.setdefault(name, len(codes)))
    extra = np.tile(np.array(own), (len(families), 1))
    for f, family in enumerate(families):
        for k, p in enumerate(part):
            if own[k] == codes.get("P0102") and "air_mass_sensor" not in family["fitted"]:
                extra[f, k] = -1
            if p == parameters.KNOCK_LOOSE + 1 and "bank2" not in family["fitted"]:
                extra[f, k] = -1
    names = tuple(codes)
    stops = np.array([name in COOL for name in names])
    return names, (high, low, np.array(part), np.array(limit), extra, np.array(once), stops)


@dataclass
class Rows:
    """The state of a block of vehicles; every array has one row a vehicle."""

    vehicles: tuple[Array, ...]
    defects: tuple[Array, ...]
    memory: tuple[Array, ...]
    cause: Array  # [rows, SLOTS] index of the cause in each slot; -1 none
    place: Array  # [rows, SLOTS] bank, cylinder or cam from 0; -1 engine
    ends: Array  # [rows, SLOTS] day on which a defect goes by itself
    names: dict[str, int] = field(default_factory=lambda: {name: k for k, name in enumerate(VEHICLE_ARRAYS)})

    def __getattr__(self, name: str) -> Array:
        if name in VEHICLE_ARRAYS:
            return self.vehicles[VEHICLE_ARRAYS.index(name)]
        if name in DEFECT_ARRAYS:
            return self.defects[DEFECT_ARRAYS.index(name)]
        if name in MEMORY_ARRAYS:
            return self.memory[MEMORY_ARRAYS.index(name)]
        raise AttributeError(name)

    def taken(self, rows: Array) -> "Rows":
        """Copies of some rows, free to live another future."""
        return Rows(
            vehicles=tuple(array[rows].copy() for array in self.vehicles),
            defects=tuple(array[rows].copy() for array in self.defects),
            memory=tuple(array[rows].copy() for array in self.memory),
            cause=self.cause[rows].copy(),
            place=self.place[rows].copy(),
            ends=self.ends[rows].copy(),
        )


VEHICLE_ARRAYS = (
    "active", "family_of", "depot_of", "duty_of", "use", "region_share", "streams", "learned", "disturbance", "wander",
    "base", "slow", "deviation", "crossed", "clock", "km", "kmh", "warmups", "distance_clear", "hours_day", "stopped",
)  # fmt: skip
DEFECT_ARRAYS = ("law", "severity", "rate", "level", "on", "part", "size")
MEMORY_ARRAYS = ("status", "clean", "occurrences", "set_clock", "set_day", "present")


def new_rows(constants: Constants, vehicles: Array, seed: int, rngs: list[np.random.Generator]) -> Rows:
    """The block's vehicles as they are before the first day, each drawn from its own stream."""
    scenario = constants.scenario
    count = len(vehicles)
    kinds = {name: _choices(scenario[name]) for name in ("families", "depots", "duties")}
    family = np.array([_pick(rng, kinds["families"]) for rng in rngs])
    depot = np.array([_pick(rng, kinds["depots"]) for rng in rngs])
    duty = np.array([_pick(rng, kinds["duties"]) for rng in rngs])
    duties = list(scenario["duties"].values())
    spread = np.array([rng.uniform(0.75, 1.25) for rng in rngs])
    noise = constants.settings[6][: c.COUNT]
    normal = np.clip(np.array([rng.standard_normal(c.COUNT) for rng in rngs]), -2.5, 2.5)
    shared = np.clip(np.array([rng.standard_normal(4) for rng in rngs]), -2.5, 2.5)
    base = scenario["healthy"]["spread"] * noise * normal
    base[:, c.LTFT : c.ADD] = base[:, c.LTFT : c.ADD] * 0.7 + 1.3 * noise[0] * shared[:, :1]
    base[:, c.IAC : c.CLOSED] = base[:, c.IAC : c.CLOSED] * 0.6 + 1.5 * noise[c.IAC] * shared[:, 1:2]
    base[:, c.KNOCK : c.SEG] = base[:, c.KNOCK : c.SEG] * 0.7 + noise[c.KNOCK] * shared[:, 2:3]
    km = np.array([rng.uniform(5e3, 1.8e5) for rng in rngs])
    use = np.array([duties[d]["hours_a_day"] for d in duty]) * spread
    share = np.array([_region_share(duties[d]["regions"]) for d in duty])
    kmh = np.array([duties[d]["km_h"] for d in duty])
    f64, width = np.float64, len(constants.codes)
    zeros = np.zeros((count, c.COUNT))
    arrays = (
        np.ones(count, bool), family, depot, duty, use, share, stream.start(seed, vehicles, 0), zeros.copy(),
        zeros.copy(), zeros.copy(), base, np.zeros((count, module.SLOW)), zeros.copy(),
        np.full((count, c.COUNT), -1, np.int32), km / kmh, km, kmh, np.full(count, 400.0), km.copy(),
        np.zeros(count), np.zeros(count, bool),
    )  # fmt: skip
    slots = (count, module.SLOTS)
    defects = (
        np.full(slots, -1), np.zeros(slots), np.zeros(slots), np.zeros(slots), np.ones(slots, bool),
        np.full((*slots, module.PARTS), -1), np.zeros((*slots, module.PARTS)),
    )  # fmt: skip
    memory = (
        np.zeros((count, width), np.int8), np.zeros((count, width), f64), np.zeros((count, width), np.int32),
        np.zeros((count, width), f64), np.zeros((count, width), np.int32), np.zeros((count, width), bool),
    )  # fmt: skip
    never = np.full(slots, 10**6)
    return Rows(arrays, defects, memory, np.full(slots, -1), np.full(slots, -1), never)


def _choices(table: dict[str, Any]) -> Array:
    shares = np.array([entry["share"] for entry in table.values()], dtype=float)
    return np.cumsum(shares / shares.sum())


def _pick(rng: np.random.Generator, edges: Array) -> int:
    return int(np.searchsorted(edges, rng.random(), side="right").clip(0, len(edges) - 1))


def _region_share(regions: list[float]) -> list[float]:
    idle, low, mid, high = regions
    return [idle, low, mid, high, idle, low, 0.8 * mid, 0.2 * mid + 0.5 * high, 0.5 * high, 1.0, 1.0, idle + low]


_ = (engine, growth)
