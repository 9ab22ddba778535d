"""Units and slips of the decimal point that a column may come in by mistake, as data (`slips.csv`); no reading here."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from pipelines.handover import Float64s

ANY_UNIT = "*"


@dataclass(frozen=True, kw_only=True)
class Slip:
    """What values came in instead of their unit.

    Attributes:
        looks_like: The unit, or words.
        factor, offset: Times the one and plus the other they are in the contract's unit.
        units: Units of the contract or a catalogue of which this can be; `*`: of any.
    """

    looks_like: str
    factor: float
    offset: float
    units: tuple[str, ...]

    def fits(self, unit: str) -> bool:
        """Whether a column of this unit can have slipped so."""
        return ANY_UNIT in self.units or unit.strip().casefold() in self.units

    def righted(self, values: Float64s) -> Float64s:
        """Values as they came, in the contract's unit, in double precision."""
        return values * self.factor + self.offset if self.offset else values * self.factor


@cache
def slips() -> tuple[Slip, ...]:
    """All of them; of two that say the same of a column, the first counts."""
    with files("pipelines.held").joinpath("slips.csv").open(encoding="utf-8") as lines:
        return tuple(
            Slip(
                looks_like=row["looks_like"],
                factor=float(row["factor"]),
                offset=float(row["offset"]),
                units=tuple(unit.casefold() for unit in row["unit"].split("|")),
            )
            for row in csv.DictReader(lines)
        )


@cache
def slips_of(unit: str) -> tuple[Slip, ...]:
    """Those that a column of this unit can have; none twice."""
    found: dict[tuple[float, float], Slip] = {}
    for slip in slips():
        if slip.fits(unit):
            found.setdefault((slip.factor, slip.offset), slip)
    return tuple(found.values())
