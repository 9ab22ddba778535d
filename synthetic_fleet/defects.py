"""Which defects a vehicle will get and when they start; putting one in and taking one out."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from synthetic_fleet import module
from synthetic_fleet.fleet import Constants, Rows
from synthetic_fleet.growth import LAWS, STEP
from synthetic_fleet.parameters import PLACES
from synthetic_fleet.scenario import Scenario

SUDDEN = "sudden"  # not a cause of the contract: a circuit that opens without a warning


@dataclass(frozen=True)
class Defect:
    """A defect to come: from which day, how it grows and what it changes."""

    day: int
    cause: str
    law: int
    rate: float
    level: float
    place: int  # bank, cylinder or cam from 0; -1: engine
    changes: tuple[tuple[int, float], ...]
    ends: int


def cause_names(scenario: Scenario) -> list[str]:
    """Causes in the order that Rows.cause counts them; the last is SUDDEN."""
    return [*scenario["causes"], SUDDEN]


def allowed(scenario: Scenario, equipment: str) -> dict[str, float]:
    """Rate per 1,000 vehicle-years of each cause that a family with this equipment can have."""
    words = set(equipment.split())
    return {
        name: entry["rate"]
        for name, entry in scenario["causes"].items()
        if not entry.get("needs") or set(entry["needs"].split("|")) <= words
    }


def plan(constants: Constants, family: dict[str, Any], first: int, last: int, rng: np.random.Generator) -> list[Defect]:
    """Defects of one vehicle with their onset in [first, last), in order."""
    scenario = constants.scenario
    rates = allowed(scenario, family["fitted"])
    years = (last - first) / 365.25
    found = []
    for name in rng.choice(list(rates), rng.poisson(sum(rates.values()) / 1000 * years), p=_shares(rates)):
        found.append(make(scenario, family, str(name), int(rng.integers(first, last)), rng))
    for _ in range(rng.poisson(scenario["sudden_per_1000_years"] / 1000 * years)):
        found.append(sudden(scenario, family, int(rng.integers(first, last)), rng))
    return sorted(found, key=lambda defect: defect.day)


def _shares(rates: dict[str, float]) -> npt.NDArray[np.float64]:
    values = np.array(list(rates.values()))
    total = values.sum()
    return values / total if total > 0 else np.full(len(values), 1 / len(values))


def sudden(scenario: Scenario, family: dict[str, Any], day: int, rng: np.random.Generator) -> Defect:
    """An open circuit: its code sets at once, and nothing told of it before."""
    first, count = PLACES["circuit"]
    place = int(rng.integers(count))
    if place == 2 and "air_mass_sensor" not in family["fitted"]:
        place = 0
    return Defect(day, SUDDEN, STEP, 0.0, 1.0, place, ((first + place, 1.0),), 10**6)


def make(
    scenario: Scenario, family: dict[str, Any], cause: str, day: int, rng: np.random.Generator, law: str | None = None
) -> Defect:
    """A defect of a cause with its place, growth law and pace drawn."""
    entry = scenario["causes"][cause]
    laws = entry["laws"]
    law = law or str(rng.choice(list(laws), p=_shares(laws)))
    shares = _shares({str(k): variant["share"] for k, variant in enumerate(entry["variants"])})
    variant = entry["variants"][int(rng.choice(len(shares), p=shares))]
    place = _place(variant["place"], family, rng)
    days = entry["days"] * float(np.exp(0.45 * rng.standard_normal()))
    level = float(rng.uniform(0.15, 0.45)) if law == "plateau" else float(np.clip(rng.lognormal(-0.25, 0.35), 0.3, 1.4))
    changes = tuple(change for name, size in variant["changes"].items() for change in _parts(name, size, place, family))
    ends = day + int(entry["ends_after_days"]) if "ends_after_days" in entry else 10**6
    own = place if variant["place"] not in ("engine", "all") else -1
    return Defect(day, cause, LAWS.index(law), 1.0 / days, level, own, changes[: module.PARTS], ends)


def _place(word: str, family: dict[str, Any], rng: np.random.Generator) -> int:
    banks = max(family["bank_of_cylinder"])
    if word == "bank":
        return int(rng.integers(banks))
    if word == "cylinder":
        return int(rng.integers(family["cylinders"]))
    if word == "cam":
        cams = [cam for cam, name in enumerate(("cam_in", "cam_ex")) if name in family["fitted"].split()]
        return int(rng.choice(cams)) + 2 * int(rng.integers(banks))
    return -1


def _parts(name: str, size: float, place: int, family: dict[str, Any]) -> list[tuple[int, float]]:
    first, count = PLACES[name]
    if count == 1:
        return [(first, size)]
    if place < 0:  # both banks, unequal
        return [(first + bank, size * (1.0, 0.85)[bank]) for bank in range(max(family["bank_of_cylinder"]))]
    if count == 2 and place >= 2:
        place = family["bank_of_cylinder"][place] - 1
    return [(first + place, size)]


def put(rows: Rows, row: int, defect: Defect, names: list[str]) -> int:
    """Put a defect into a free slot of a row; its number, or -1 where the vehicle is full."""
    free = np.flatnonzero(rows.law[row] < 0)
    if not len(free):
        return -1
    slot = int(free[0])
    rows.law[row, slot] = defect.law
    rows.severity[row, slot] = 0.0
    rows.rate[row, slot] = defect.rate
    rows.level[row, slot] = defect.level
    rows.on[row, slot] = True
    rows.part[row, slot] = -1
    for k, (part, size) in enumerate(defect.changes):
        rows.part[row, slot, k] = part
        rows.size[row, slot, k] = size
    rows.cause[row, slot] = names.index(defect.cause)
    rows.place[row, slot] = defect.place
    rows.ends[row, slot] = defect.ends
    return slot


def take_out(rows: Rows, row: int, slot: int) -> None:
    """The defect is gone: the part was replaced, repaired, or the tank is empty."""
    rows.law[row, slot] = -1
    rows.cause[row, slot] = -1
    rows.severity[row, slot] = 0.0
    rows.part[row, slot] = -1
    rows.ends[row, slot] = 10**6
