"""The catalogue, states and readings of a store in the reader's degrees; cached like what they come from."""

from collections.abc import Collection
from dataclasses import replace
from typing import Any

import polars as pl

from dashboard import entered, one_vehicle, published
from dashboard.views.degrees import (
    CELSIUS,
    FAHRENHEIT,
    catalogue_in_fahrenheit,
    readings_in_celsius,
    readings_in_fahrenheit,
    states_in_fahrenheit,
)
from dashboard.views.today import FleetTables
from dashboard.views.wording import Reader, unit_word


def corrections(reader: Reader) -> pl.DataFrame:
    """The catalogue."""
    known = published.corrections()
    if not reader.fahrenheit:
        return known
    return published.kept("corrections in °F", build=lambda: catalogue_in_fahrenheit(known))


def correction(code: str, reader: Reader) -> dict[str, Any]:
    """The catalogue's row of one correction."""
    return corrections(reader).row(by_predicate=pl.col("code") == code, named=True)


def states(reader: Reader) -> pl.DataFrame:
    """The rows of `correction_state` that pages of the whole fleet speak of."""
    known = published.states_that_count(reader.as_of)
    if not reader.fahrenheit:
        return known
    return published.kept(
        "states in °F", reader.as_of, build=lambda: states_in_fahrenheit(known, published.corrections())
    )


def states_of(vehicle_id: str, reader: Reader) -> pl.DataFrame:
    """Its rows of one vehicle."""
    known = one_vehicle.states(vehicle_id, reader.as_of)
    return states_in_fahrenheit(known, published.corrections()) if reader.fahrenheit else known


def states_of_correction(code: str, reader: Reader) -> pl.DataFrame:
    """Its rows of one correction."""
    known = published.states_of_correction(code, reader.as_of)
    return states_in_fahrenheit(known, published.corrections()) if reader.fahrenheit else known


def unit_of(code: str, *, fahrenheit: bool) -> str:
    """The unit of a correction, as it is read."""
    unit = published.correction(code)["unit"]
    return unit_word(FAHRENHEIT if fahrenheit and unit == CELSIUS else unit)


def values(code: str, reader: Reader) -> pl.DataFrame:
    """Readings of one correction in the fleet: `vehicle_id, read_at, value, calibration`."""
    known = published.correction_values(code, reader.as_of)
    return readings_in_fahrenheit(known, published.correction(code)) if reader.fahrenheit else known


def path(vehicle_id: str, code: str, reader: Reader) -> pl.DataFrame:
    """One correction of one vehicle at every reading, with what was expected of it."""
    known = one_vehicle.correction_path(vehicle_id, code, reader.as_of)
    return readings_in_fahrenheit(known, published.correction(code)) if reader.fahrenheit else known


def withheld(vehicle_id: str, code: str, reader: Reader) -> pl.DataFrame:
    """Its readings that no figure rests on, as they came: `read_at, value`."""
    known = one_vehicle.withheld(vehicle_id, code, reader.as_of)
    return readings_in_fahrenheit(known, published.correction(code)) if reader.fahrenheit else known


def paths(vehicle_id: str, reader: Reader) -> pl.DataFrame:
    """The same of all its corrections."""
    known = one_vehicle.correction_paths(vehicle_id, reader.as_of)
    return states_in_fahrenheit(known, published.corrections()) if reader.fahrenheit and known.width else known


def fleet_tables(reader: Reader) -> FleetTables:
    """The tables that the page of the whole fleet is made of, causes with what checks found since."""
    known = published.fleet_tables(reader.as_of)
    return replace(
        known,
        correction_state=states(reader),
        corrections=corrections(reader),
        cause_ranking=entered.ranking(reader.as_of),
    )


def to_save(
    rows: pl.DataFrame, code: str, reader: Reader, *, levels: Collection[str], steps: Collection[str] = ()
) -> pl.DataFrame:
    """Figures of one correction as a file holds them, in °C whatever the reader reads: `readings_in_celsius`."""
    if not reader.fahrenheit:
        return rows
    return readings_in_celsius(rows, published.correction(code), levels=levels, steps=steps)
