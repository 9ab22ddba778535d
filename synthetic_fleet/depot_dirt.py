"""What a depot's reader spoils for a month, of all its vehicles alike: each kind by its rate, listed by vehicle."""

from collections.abc import Callable
from typing import Any

import numpy as np

from synthetic_fleet import corrections as c
from synthetic_fleet.block import Calendar, Lived
from synthetic_fleet.constants import Constants
from synthetic_fleet.frames import Sheet
from synthetic_fleet.state import Array

PER_CENT = np.array([k for k, code in enumerate(c.CODES) if c.catalogue()[code]["unit"] == "%"])
MILE, INCH_OF_MERCURY = 1.609344, 3.386389  # km, kPa


def soil_depots(
    sheet: Sheet, lived: Lived, constants: Constants, calendar: Calendar, seed: int
) -> list[dict[str, Any]]:
    """Put depots' slips on a block's readings, in place; which vehicle has what. Every block has the same slips."""
    rates = constants.scenario["dirt"]
    depot = np.array([vehicle.depot for vehicle in lived.vehicles])
    vehicle = np.repeat(np.arange(len(depot)), np.diff(sheet.start))
    months = sheet.columns["read_at"].astype("datetime64[M]")
    pieces = []
    for number, name in enumerate(constants.scenario["depots"]):
        for nth, (kind, spoil) in enumerate(DEPOT_KINDS.items()):
            rng = np.random.default_rng([seed, number, nth, 5])
            count = min(int(rng.poisson(rates[f"{kind}_per_depot_year"] * calendar.days / 365.25)), len(sheet.months))
            for month in rng.choice(sheet.months, count, replace=False):
                where = np.flatnonzero((depot[vehicle] == number) & (months == month))
                columns = spoil(sheet, where, rng)
                pieces += [
                    {
                        "kind": kind, "vehicle_id": lived.vehicles[v].ident, "from_at": times.min().item(),
                        "to_at": times.max().item(), "column": columns, "detail": name,
                    }
                    for v in np.unique(vehicle[where])
                    for times in [sheet.columns["read_at"][where[vehicle[where] == v]]]
                ]  # fmt: skip
    return pieces


def _fractions(sheet: Sheet, where: Array, _rng: np.random.Generator) -> str:
    sheet.values[np.ix_(where, PER_CENT)] /= 100.0
    return ", ".join(c.CODES[k] for k in PER_CENT)


def _fahrenheit(sheet: Sheet, where: Array, _rng: np.random.Generator) -> str:
    for name in ("ambient_c", "coolant_c"):
        sheet.columns[name][where] = (sheet.columns[name][where] * 1.8 + 32.0).round(1)
    return "ambient_c, coolant_c"


def _miles(sheet: Sheet, where: Array, _rng: np.random.Generator) -> str:
    sheet.columns["odometer_km"][where] = (sheet.columns["odometer_km"][where] / MILE).round(1)
    return "odometer_km"


def _inches(sheet: Sheet, where: Array, _rng: np.random.Generator) -> str:
    sheet.columns["baro_kpa"][where] = (sheet.columns["baro_kpa"][where] / INCH_OF_MERCURY).round(2)
    return "baro_kpa"


def _point_lost(sheet: Sheet, where: Array, rng: np.random.Generator) -> str:
    """One correction that most of these vehicles have, a hundred times too large."""
    read = np.flatnonzero(np.isfinite(sheet.values[where]).mean(axis=0) > 0.5) if len(where) else np.arange(0)
    column = int(rng.choice(read)) if len(read) else 0
    sheet.values[where, column] *= 100.0
    return c.CODES[column]


def _repeats(sheet: Sheet, where: Array, _rng: np.random.Generator) -> str:
    """Each vehicle's first reading of the month again and again, its circumstances aside."""
    vehicle = np.searchsorted(sheet.start, where, side="right")
    first = np.append(True, np.diff(vehicle) != 0)[: len(where)]
    sheet.values[where] = sheet.values[where[first]][np.cumsum(first) - 1] if len(where) else sheet.values[where]
    return "*"


DEPOT_KINDS: dict[str, Callable[[Sheet, Array, np.random.Generator], str]] = {
    "depot_fractions": _fractions,
    "depot_fahrenheit": _fahrenheit,
    "depot_miles": _miles,
    "depot_inches": _inches,
    "depot_point_lost": _point_lost,
    "depot_repeats": _repeats,
}
