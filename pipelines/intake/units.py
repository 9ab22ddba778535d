"""Converts numbers between units of measurement by a units library; knows no column and no file."""

from functools import cache
from typing import TYPE_CHECKING

import polars as pl

from pipelines.errors import SettingError

if TYPE_CHECKING:
    import pint  # where it is used: most loads convert nothing, and it takes as long to import as all of intake

# How units are written in files, where the library reads them otherwise or not at all.
SPELLINGS = {
    "u/min": "rpm", "1/min": "rpm", "°": "degree", "deg": "degree", "℃": "degC", "℉": "degF",
    "°c": "degC", "°f": "degF",
    "c": "degC", "f": "degF", "nm": "newton * meter", "miles": "mile", "mi": "mile",
    "sec": "second", "hrs": "hour",
    "std": "hour", "\"hg": "inHg", "prozent": "percent", "pct": "percent", "v": "volt",
    "1": "dimensionless", "": "dimensionless",
}  # fmt: skip


def convert(values: pl.Series, unit: str, target: str) -> pl.Series:
    """Numbers in `unit` as numbers in `target`; both as people write them (`°F`, `inHg`, `%`, `mg/stroke`).

    Raises:
        SettingError: a unit is not known, or the two measure different things.
    """
    if _plain(unit) == _plain(target):
        return values
    import pint  # noqa: PLC0415

    try:
        zero, one = (_registry().Quantity(x, _parsed(unit)).to(_parsed(target)).magnitude for x in (0.0, 1.0))
    except pint.DimensionalityError as error:
        raise SettingError(
            f"'{unit}' cannot become '{target}': they measure different things. Check the mapping."
        ) from error
    return (values * (one - zero) + zero).round_sig_figs(12)


def is_unit(text: str) -> bool:
    """Whether a text is a unit of measurement."""
    try:
        _parsed(text)
    except SettingError:
        return False
    return True


def fits(unit: str, target: str) -> bool:
    """Whether one unit can become the other."""
    try:
        convert(pl.Series([1.0]), unit, target)
    except SettingError:
        return False
    return True


@cache
def _parsed(text: str) -> "pint.Unit":
    plain = _plain(text)
    try:
        return _registry().parse_units(SPELLINGS.get(plain.lower(), plain))
    except Exception as error:  # the library raises its tokenizer's errors, assertions and its own alike
        raise SettingError(
            f"'{text}' is not a unit that is known. Write it as kPa, degF, km, % or the like."
        ) from error


def _plain(text: str) -> str:
    return text.strip().strip("[]() ").replace("µ", "u")


@cache
def _registry() -> "pint.UnitRegistry[float]":
    import pint  # noqa: PLC0415

    registry: pint.UnitRegistry[float] = pint.UnitRegistry(cache_folder=None)
    registry.define("stroke = [stroke]")
    return registry
