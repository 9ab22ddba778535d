"""Which defects a vehicle will get and when they start; putting one in and taking one out."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from synthetic_fleet.constants import SUDDEN, Constants
from synthetic_fleet.growth import LAWS, STEP
from synthetic_fleet.parameters import PLACES
from synthetic_fleet.scenario import Scenario
from synthetic_fleet.state import NEVER, PARTS, Array

Family = dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Defect:
    """A defect to come: from which day, how it grows and what it changes."""

    day: int
    cause: str
    law: int
    rate: float
    level: float
    place: int  # bank, cylinder, cam or circuit from 0; -1: the engine
    bank: int | None = None  # as people count
    cylinder: int | None = None
    changes: tuple[tuple[int, float], ...]
    ends: int = NEVER


def rates(scenario: Scenario, family: Family, factors: dict[str, float]) -> dict[str, float]:
    """Rate per 1,000 vehicle-years of each cause that a family can have, times the factors on some."""
    words = set(family["fitted"].split())
    return {
        name: float(entry["rate"]) * factors.get(name, 1.0)
        for name, entry in scenario["causes"].items()
        if set(entry.get("needs", "").split("|")) - {""} <= words
    }


def onsets(
    constants: Constants,
    family: Family,
    days: tuple[int, int],
    rng: np.random.Generator,
    per_1000_years: dict[str, float],
) -> list[Defect]:
    """Defects that start in [days[0], days[1]), at the rates of their causes, in order of time."""
    scenario = constants.scenario
    first, last = days
    years = max(0, last - first) / 365.25
    total = sum(per_1000_years.values())
    names = list(per_1000_years)
    drawn: Iterable[Any] = (
        rng.choice(names, rng.poisson(total / 1000 * years), p=shares(per_1000_years)) if total > 0 else []
    )
    found = [make(scenario, family, str(name), int(rng.integers(first, last)), rng) for name in drawn]
    count = rng.poisson(scenario["sudden_per_1000_years"] / 1000 * years)
    found += [sudden(scenario, family, int(rng.integers(first, last)), rng) for _ in range(count)]
    return sorted(found, key=lambda defect: defect.day)


def shares(weights: dict[str, float]) -> Array:
    """Weights as shares of 1."""
    values = np.array(list(weights.values()), dtype=np.float64)
    return np.asarray(values / values.sum())


def sudden(scenario: Scenario, family: Family, day: int, rng: np.random.Generator) -> Defect:
    """An open circuit: its code sets at once, and nothing told of it before."""
    circuits = [k for k, entry in enumerate(scenario["circuits"]) if entry.get("needs", "ac") in family["fitted"]]
    place = int(rng.choice(circuits))
    change = (PLACES["circuit"][0] + place, 1.0)
    return Defect(day=day, cause=SUDDEN, law=STEP, rate=0.0, level=1.0, place=place, changes=(change,))


def make(
    scenario: Scenario,
    family: Family,
    cause: str,
    day: int,
    rng: np.random.Generator,
    *,
    law: str | None = None,
    variant: int | None = None,
) -> Defect:
    """A defect of a cause with its place and pace, and where they are not given its growth law and variant, drawn."""
    entry = scenario["causes"][cause]
    law = law or str(rng.choice(list(entry["laws"]), p=shares(entry["laws"])))
    weights = {str(k): variant["share"] for k, variant in enumerate(entry["variants"])}
    chosen = int(rng.choice(len(weights), p=shares(weights))) if variant is None else variant
    pace = float(np.exp(0.45 * rng.standard_normal())) / float(entry["days"])
    level = float(rng.uniform(0.15, 0.45)) if law == "plateau" else float(np.clip(rng.lognormal(-0.25, 0.35), 0.3, 1.4))
    ends = day + int(entry["ends_after_days"]) if "ends_after_days" in entry else NEVER
    kind = entry["variants"][chosen]
    rest = {"day": day, "cause": cause, "law": LAWS.index(law), "rate": pace, "level": level, "ends": ends}
    return placed(family, kind, _place(kind["place"], family, rng), rest)


def placed(family: Family, variant: dict[str, Any], place: int, rest: dict[str, Any]) -> Defect:
    """A variant of a cause at a place of an engine."""
    word = variant["place"]
    changes = [part for name, size in variant["changes"].items() for part in _parts(name, size, place, family)]
    bank = {"bank": place + 1, "cam": place // 2 + 1}.get(word)
    if word == "cylinder":
        bank = int(family["bank_of_cylinder"][place])
    cylinder = place + 1 if word == "cylinder" else None
    return Defect(place=place, bank=bank, cylinder=cylinder, changes=tuple(changes[:PARTS]), **rest)


def _place(word: str, family: Family, rng: np.random.Generator) -> int:
    banks = max(family["bank_of_cylinder"])
    if word == "bank":
        return int(rng.integers(banks))
    if word == "cylinder":
        return int(rng.integers(family["cylinders"]))
    if word == "cam":
        cams = [cam for cam, name in enumerate(("cam_in", "cam_ex")) if name in family["fitted"].split()]
        return int(rng.choice(cams)) + 2 * int(rng.integers(banks))
    return -1


def _parts(name: str, size: float, place: int, family: Family) -> list[tuple[int, float]]:
    first, count = PLACES[name]
    if count == 1:
        return [(first, size)]
    if place < 0:  # both banks, not quite alike
        return [(first + bank, size * (1.0, 0.85)[bank]) for bank in range(max(family["bank_of_cylinder"]))]
    return [(first + place, size)]


def put(defects: Any, row: int, defect: Defect, causes: tuple[str, ...]) -> int:
    """Put a defect into a free slot of a row; its number, or -1 where the vehicle has as many as it can."""
    free = np.flatnonzero(defects.law[row] < 0)
    if not len(free):
        return -1
    slot = int(free[0])
    defects.law[row, slot] = defect.law
    defects.severity[row, slot] = 0.0
    defects.rate[row, slot] = defect.rate
    defects.level[row, slot] = defect.level
    defects.on[row, slot] = True
    defects.part[row, slot] = -1
    for k, (part, size) in enumerate(defect.changes):
        defects.part[row, slot, k] = part
        defects.change[row, slot, k] = size
    defects.cause[row, slot] = causes.index(defect.cause)
    defects.place[row, slot] = defect.place
    defects.ends[row, slot] = defect.ends
    return slot


def take_out(defects: Any, row: int, slot: int) -> None:
    """The defect is gone: the part was replaced, repaired, or the tank is empty."""
    defects.law[row, slot] = -1
    defects.cause[row, slot] = -1
    defects.severity[row, slot] = 0.0
    defects.part[row, slot] = -1
    defects.ends[row, slot] = NEVER
