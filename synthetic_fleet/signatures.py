"""What each cause does to the corrections in the engine model: settled, noise-free, also as shares of authority."""

from typing import Any

import numpy as np

from synthetic_fleet import corrections as c
from synthetic_fleet import defects
from synthetic_fleet import engine as e
from synthetic_fleet import parameters as p
from synthetic_fleet.constants import Constants
from synthetic_fleet.state import Array

TURNS = 80  # of learning, until what corrections leave to each other has settled


def settled(constants: Constants, family: str, theta: Array, around: e.Around) -> Array:
    """[corrections], less neutral: where an engine with these parameters settles, limits kept, noise-free."""
    number = list(constants.scenario["families"]).index(family)
    row, settings = constants.world.families[number], constants.world.settings
    learned, target = np.zeros(c.COUNT), np.zeros(c.COUNT)
    for _ in range(TURNS):
        target[:] = 0.0
        e.demand(e.Case(theta, row, around, learned), target)
        e.mean_free(row, target)
        learned += 0.5 * (target - learned)
        learned = np.clip(learned, settings.low - settings.neutral, settings.high - settings.neutral)
    return np.where(constants.fitted[number], learned, 0.0)


def mild() -> e.Around:
    """A mild day at sea level on standard fuel."""
    return e.Around(12.0, 101.0, 0.0, 0.0, 0.0, 10.0, 0.0, 0.0)


def signature(
    constants: Constants,
    family: str,
    cause: str,
    *,
    variant: int = 0,
    place: int = 0,
    severity: float = 1.0,
    around: e.Around | None = None,
) -> dict[str, float]:
    """Deviation from health of every fitted correction, in its unit, for one defect of a cause.

    Args:
        constants: Of the scenario.
        family: Name of the engine family.
        cause: Word of the contract.
        variant: Which of the cause's variants.
        place: Bank, cylinder or cam from 0, where the variant has a place.
        severity: 1 meets a limit, about.
        around: Surroundings; without them a mild day.
    """
    entry: dict[str, Any] = constants.scenario["families"][family]
    kind = constants.scenario["causes"][cause]["variants"][variant]
    at = place if kind["place"] not in ("engine", "all") else -1
    rest = {"day": 0, "cause": cause, "law": 0, "rate": 0.0, "level": 0.0, "ends": 0}
    theta = np.zeros(p.COUNT)
    for part, size in defects.placed(entry, kind, at, rest).changes:
        theta[part] += size * severity
    day = around or mild()
    moved = settled(constants, family, theta, day) - settled(constants, family, np.zeros(p.COUNT), day)
    fitted = constants.fitted[list(constants.scenario["families"]).index(family)]
    return {code: float(moved[k]) for k, code in enumerate(c.CODES) if fitted[k]}


def shares(constants: Constants, moved: dict[str, float]) -> dict[str, float]:
    """Deviations as shares of each correction's way from neutral to the limit on that side."""
    settings = constants.world.settings
    out = {}
    for code, value in moved.items():
        k = c.INDEX[code]
        way = settings.high[k] - settings.neutral[k] if value > 0 else settings.neutral[k] - settings.low[k]
        out[code] = value / float(way)
    return out
