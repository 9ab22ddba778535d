"""A scenario turned into the numbers that the compiled day takes: families, settings of corrections, monitors."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from synthetic_fleet import corrections as c
from synthetic_fleet import parameters as p
from synthetic_fleet.scenario import Scenario
from synthetic_fleet.state import REGIONS, SETTING, Array, Monitors, World, records


@dataclass(frozen=True)
class Constants:
    """What is the same for all vehicles of a scenario."""

    scenario: Scenario
    world: World
    fitted: Array  # bool [families, corrections]
    codes: tuple[str, ...]  # of the fault memory, in its order
    causes: tuple[str, ...]  # in the order that Defects.cause counts them; the last is SUDDEN

    @property
    def families(self) -> list[dict[str, Any]]:
        """Entries of the families, in their order."""
        return list(self.scenario["families"].values())


SUDDEN = "sudden"  # not a cause of the contract: a circuit that opens without a warning


def constants_of(scenario: Scenario) -> Constants:
    """Read them out of a scenario and the catalogue."""
    fitted = np.array([c.fitted(frozenset(entry["fitted"].split())) for entry in scenario["families"].values()])
    codes, monitors = _monitors(scenario, fitted)
    rows = np.array([_family_row(entry) for entry in scenario["families"].values()], dtype=np.float64)
    return Constants(
        scenario=scenario,
        world=World(
            families=rows,
            settings=_settings(scenario),
            slow_noise=np.array(scenario["healthy"]["slow"]) * scenario["noise"],
            wander=float(scenario["wander"]),
            memory_days=float(scenario["healthy"]["memory_days"]),
            monitors=monitors,
        ),
        fitted=fitted,
        codes=codes,
        causes=(*scenario["causes"], SUDDEN),
    )


def longest_prefix(code: str, table: dict[str, float]) -> float:
    """Entry whose key starts the code and is the longest; 0 where none does."""
    return max(((len(key), value) for key, value in table.items() if code.startswith(key)), default=(0, 0.0))[1]


def region_share(regions: list[float]) -> list[float]:
    """Share of ignition-on time in each of REGIONS, from those at idle, low, mid and high load."""
    idle, low, mid, high = regions
    return [idle, low, mid, high, idle, low, 0.8 * mid, 0.2 * mid + 0.5 * high, 0.5 * high, 1.0, 1.0, idle + low]


def _settings(scenario: Scenario) -> Any:
    healthy = scenario["healthy"]
    settings = records(c.COUNT, SETTING)
    for field, name in (("neutral", "neutral"), ("low", "low_limit"), ("high", "high_limit")):
        settings[field] = c.column(name)
    settings.resolution, settings.learn_hours = c.column("resolution"), c.column("learn_hours")
    settings.region = [REGIONS.index(c.catalogue()[code]["region"]) for code in c.CODES]
    settings.noise = [scenario["noise"] * longest_prefix(code, healthy["noise"]) for code in c.CODES]
    settings.ageing = [longest_prefix(code, healthy["ageing_per_1000_km"]) / 1000 for code in c.CODES]
    return settings


def _family_row(entry: dict[str, Any]) -> list[float]:
    order = [int(word) - 1 for word in entry["firing_order"].split("-")]
    companion = [0.0] * 6
    for place, cylinder in enumerate(order):  # half a cycle later the same segment of the wheel passes
        companion[cylinder] = float(order[(place + len(order) // 2) % len(order)])
    banks = [float(bank - 1) for bank in entry["bank_of_cylinder"]]
    equipment = entry["fitted"].split()
    return [
        entry["cylinders"],
        max(entry["bank_of_cylinder"]),
        "air_mass_sensor" in equipment,
        "rail_pressure_sensor" in equipment,
        entry["segments_while_firing"],
        entry["idle_mg"],
        entry["iac_points_per_idle_flow"],
        entry["flow_g_s_per_nm"],
        *entry["flow_g_s"],
        *entry["pressure_kpa"],
        *banks,
        *[0.0] * (6 - len(banks)),
        *companion,
    ]


def _monitors(scenario: Scenario, fitted: Array) -> tuple[tuple[str, ...], Monitors]:
    codes: dict[str, int] = {}
    sides = {"fault_high": np.full(fitted.shape, -1), "fault_low": np.full(fitted.shape, -1)}
    families = list(scenario["families"].values())
    for f, family in enumerate(families):
        for k, code in enumerate(c.CODES):
            for side, table in sides.items():
                names = c.catalogue()[code][side].split("|")
                if fitted[f, k] and names[0]:
                    regional = family["regional_codes"] and code.startswith("ltft")
                    table[f, k] = codes.setdefault(names[-1 if regional else 0], len(codes))
    extra = []
    for entry in scenario["monitors"]:
        first, count = p.PLACES[entry["parameter"]]
        for place, name in zip(range(count), entry["codes"], strict=False):
            own = [name if fits(entry, place, family) else None for family in families]
            indices = [-1 if name is None else codes.setdefault(name, len(codes)) for name in own]
            extra.append((first + place, entry["at"], bool(entry.get("once", False)), indices))
    return tuple(codes), Monitors(
        high=sides["fault_high"],
        low=sides["fault_low"],
        part=np.array([row[0] for row in extra]),
        at=np.array([row[1] for row in extra], dtype=np.float64),
        code=np.array([row[3] for row in extra]).T.copy(),
        once=np.array([row[2] for row in extra]),
        stops=np.array([name in scenario["stop_learning"] for name in codes]),
    )


def fits(monitor: dict[str, Any], place: int, family: dict[str, Any]) -> bool:
    """Whether a family has what a monitor of a bank, cylinder, cam or circuit looks at."""
    equipment = set(family["fitted"].split())
    needs = monitor.get("needs", {}).get(monitor["codes"][place])
    count = p.PLACES[monitor["parameter"]][1]
    banks = max(family["bank_of_cylinder"])
    if needs is not None and needs not in equipment:
        return False
    if count == 6:
        return bool(place < family["cylinders"])
    if count == 4:
        return place // 2 < banks and ("cam_in", "cam_ex")[place % 2] in equipment
    return count != 2 or place < banks
