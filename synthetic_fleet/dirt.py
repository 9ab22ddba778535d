"""Dirt as real drops have it, each kind by its rate, each piece listed in the truth."""

from collections.abc import Callable
from typing import Any

import numpy as np

from synthetic_fleet import corrections as c
from synthetic_fleet.block import Calendar, Lived
from synthetic_fleet.constants import Constants
from synthetic_fleet.depot_dirt import soil_depots
from synthetic_fleet.frames import Sheet
from synthetic_fleet.state import Array

Piece = dict[str, Any]
TRIMS = np.array([k for k, code in enumerate(c.CODES) if code.startswith(("ltft_b", "stft"))])
MILE = 1.609344


def soil(sheet: Sheet, lived: Lived, constants: Constants, calendar: Calendar, seed: int) -> list[Piece]:
    """Put dirt on a block's readings, in place; what was put where."""
    rates = constants.scenario["dirt"]
    if not rates["enabled"]:
        return []
    years = calendar.days / 365.25
    pieces = []
    for k, vehicle in enumerate(lived.vehicles):
        begin, end = int(sheet.start[k]), int(sheet.start[k + 1])
        rng = np.random.default_rng([seed, vehicle.number, 3])
        for kind, spoil in KINDS.items():
            for _ in range(rng.poisson(rates[kind] * years)):
                if end > begin:
                    piece = spoil(sheet, begin, end, rng)
                    pieces.append({"kind": kind, "vehicle_id": vehicle.ident, **piece})
    pieces += soil_depots(sheet, lived, constants, calendar, seed)
    return pieces + _swaps(sheet, lived, rates["swapped_per_pair_year"] * years, seed)


def _month(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Array:
    """Readings of one vehicle in one month, drawn."""
    months = sheet.columns["read_at"][begin:end].astype("datetime64[M]")
    return begin + np.flatnonzero(months == months[int(rng.integers(end - begin))])


def _span(sheet: Sheet, where: Array, column: str | None = None, detail: str | None = None) -> Piece:
    times = sheet.columns["read_at"][where]
    return {"from_at": times.min().item(), "to_at": times.max().item(), "column": column, "detail": detail}


def _fractions(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    where = _month(sheet, begin, end, rng)
    sheet.values[np.ix_(where, TRIMS)] /= 100.0
    return _span(sheet, where, "ltft_b*, stft_rest_b*")


def _miles(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    where = _month(sheet, begin, end, rng)
    sheet.columns["odometer_km"][where] = (sheet.columns["odometer_km"][where] / MILE).round(0)
    return _span(sheet, where, "odometer_km")


def _fahrenheit(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    where = _month(sheet, begin, end, rng)
    for name in ("ambient_c", "coolant_c"):
        sheet.columns[name][where] = (sheet.columns[name][where] * 1.8 + 32.0).round(1)
    return _span(sheet, where, "ambient_c, coolant_c")


def _a_correction(sheet: Sheet, at: int, rng: np.random.Generator) -> int:
    return int(rng.choice(np.flatnonzero(np.isfinite(sheet.values[at]))))


def _stuck(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    at = int(rng.integers(begin, end))
    where = np.arange(at, min(end, at + int(rng.integers(8, 26))))
    column = _a_correction(sheet, at, rng)
    sheet.values[where, column] = sheet.values[at, column]
    return _span(sheet, where, c.CODES[column])


def _misread(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    at = int(rng.integers(begin, end))
    column = _a_correction(sheet, at, rng)
    low, high, step = (c.column(name)[column] for name in ("low_limit", "high_limit", "resolution"))
    right = float(sheet.values[at, column])
    sheet.values[at, column] = low + step * np.floor(rng.uniform(0, (high - low) / step))
    return _span(sheet, np.array([at]), c.CODES[column], f"was {right:g}")


def _clock_wrong(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    where = _month(sheet, begin, end, rng)
    hours = int(rng.choice([-8, -5, -3, -2, 2, 3, 5]))
    piece = _span(sheet, where, "read_at", f"{hours:+d} h")
    sheet.columns["read_at"][where] += np.timedelta64(hours, "h")
    return piece


def _hours_wrong(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    at = int(rng.integers(begin, end))
    sheet.columns["ignition_hours"][at] = float(rng.choice([0.0, 65535.0, 10.0 * sheet.columns["ignition_hours"][at]]))
    return _span(sheet, np.array([at]), "ignition_hours")


def _odometer_back(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    where = np.arange(int(rng.integers(begin, end)), end)
    odometer = sheet.columns["odometer_km"]
    share = float(rng.choice([1.0, rng.uniform(0.1, 0.5)]))
    odometer[where] -= np.floor(share * odometer[where].min())  # the first, unless one was misread already
    return _span(sheet, where, "odometer_km", "replaced" if share == 1.0 else "set back")


def _odometer_wrong(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    at = int(rng.integers(begin, end))
    sheet.columns["odometer_km"][at] *= float(rng.choice([0.0, 0.1, 10.0]))
    return _span(sheet, np.array([at]), "odometer_km")


def _late(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    at = int(rng.integers(begin, end))
    sheet.delivered[at] = min(sheet.delivered[at] + 1, sheet.months[-1])
    return _span(sheet, np.array([at]))


def _duplicate(sheet: Sheet, begin: int, end: int, rng: np.random.Generator) -> Piece:
    """Only marked here: the row is delivered again a month later, with all that befell it."""
    at = int(rng.integers(begin, end))
    sheet.again.append(at)
    return _span(sheet, np.array([at]))


KINDS: dict[str, Callable[[Sheet, int, int, np.random.Generator], Piece]] = {
    "fraction_for_percent": _fractions,
    "miles": _miles,
    "fahrenheit": _fahrenheit,
    "stuck": _stuck,
    "misread": _misread,
    "clock_wrong": _clock_wrong,
    "hours_wrong": _hours_wrong,
    "odometer_back": _odometer_back,
    "odometer_wrong": _odometer_wrong,
    "late": _late,
    "duplicate": _duplicate,
}


def _swaps(sheet: Sheet, lived: Lived, expected: float, seed: int) -> list[Piece]:
    """Neighbouring vehicles exchanged for a month: the fleet numbers alone, as a mixed-up file has it."""
    pieces = []
    names = sheet.columns["vehicle_id"]
    for k in range(0, len(lived.vehicles) - 1, 2):
        one, two = lived.vehicles[k : k + 2]
        rng = np.random.default_rng([seed, one.number, 4])
        month = rng.choice(sheet.months)
        if rng.random() >= expected:
            continue
        rows = np.arange(sheet.start[k], sheet.start[k + 2])
        rows = rows[sheet.columns["read_at"][rows].astype("datetime64[M]") == month]
        if len(rows):
            names[rows] = np.where(rows < sheet.start[k + 1], two.ident, one.ident)
            pieces += [
                {"kind": "swapped", "vehicle_id": v.ident, **_span(sheet, rows, "vehicle_id")} for v in (one, two)
            ]
    return pieces
