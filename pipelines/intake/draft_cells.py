"""Whether a column's cells can be what its header says: units that fit, values in range, texts of the right kind."""

from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

from pipelines.catalogue.checks import unit_slips
from pipelines.catalogue.tables import Column, drop_tables
from pipelines.intake.casting import Reading, cast, is_empty
from pipelines.intake.foreign import numbers_and_units
from pipelines.intake.units import convert, fits

MOST = 0.9  # share of the filled cells that must agree with a guess; judgement: a tenth may be misread
FRACTIONS = 0.35  # per cent values that are all this small are fractions of one: a trim learns in steps of 0.78 %
LEAST_ODOMETER = 100.0  # km; a column that never reaches it counts trips; judgement
NEEDS_UNIT = {"fuel_level_pct": ({"FUEL"}, {"TANK"})}  # headers that say too little


@dataclass(frozen=True, kw_only=True)
class Target:
    """What a column may become: name, unit of the contract, and the range in which nearly all its values lie."""

    name: str
    kind: str
    unit: str
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How a column's cells become a target: the unit in the file (empty: the target's), and what that rests on.

    assumed: The unit is read off the values alone; a person must say so.
    small: No unit is said, and all values are as small as fractions of one would be.
    """

    unit: str = ""
    assumed: bool = False
    small: bool = False


def targets(table: str, catalogue: pl.DataFrame) -> dict[str, Target]:
    """All that the columns of a file can become, by name."""
    found = {column.name: _target(column) for column in drop_tables()[table].columns}
    if table == "snapshots":
        step = pl.col("resolution").fill_null(0.0)
        limits = catalogue.select(
            "code", pl.col("unit").fill_null(""),
            (pl.col("low_limit") - step).fill_null(float("-inf")),
            (pl.col("high_limit") + step).fill_null(float("inf")),
        )  # fmt: skip
        found |= {
            code: Target(name=code, kind="correction", unit=unit, low=low, high=high)
            for code, unit, low, high in limits.iter_rows()
        }
    return found


def _target(column: Column) -> Target:
    low = column.usual_low if column.usual_low is not None else column.low
    high = column.usual_high if column.usual_high is not None else column.high
    return Target(
        name=column.name, kind=column.dtype, unit=column.unit,
        low=float("-inf") if low is None else low, high=float("inf") if high is None else high,
    )  # fmt: skip


def fit(
    cells: pl.Series, target: Target, unit: str, how: Reading, *, readings: Iterable[frozenset[str]] = ()
) -> Fit | None:
    """How the cells become the target; None: they cannot.

    Args:
        cells: As they came.
        target: What they may become.
        unit: That the header says, as written; empty: none.
        how: How numbers are written.
        readings: The ideas of the header, for those that say too little by themselves.
    """
    filled = cells.filter(~is_empty(cells, "float"))
    if target.kind in ("float", "int", "correction"):
        return _number_fit(filled, target, unit, how, readings)
    if unit or filled.is_empty():
        return None
    if target.name == "vehicle_id":
        return Fit() if _names_vehicles(filled) else None
    return Fit()


def _number_fit(
    filled: pl.Series, target: Target, unit: str, how: Reading, readings: Iterable[frozenset[str]]
) -> Fit | None:
    parts = numbers_and_units(filled, how)
    number, glued = parts["number"], parts["unit"].drop_nulls().unique().to_list()
    said = [each for each in [unit, *glued] if each]
    numbers = not filled.is_empty() and number.count() >= MOST * len(filled)
    if not numbers or any(not fits(each, target.unit) for each in said):
        return None
    if said:
        return Fit(unit=unit) if glued or _plausible(number, target, unit) else None
    too_short = set(readings) & {frozenset(few) for few in NEEDS_UNIT.get(target.name, ())}
    return None if too_short else _unsaid_fit(number, target)


def _unsaid_fit(number: pl.Series, target: Target) -> Fit | None:
    """How numbers of no unit become the target: as its own unit, or as one that is often taken by mistake."""
    if target.kind == "correction" and target.unit == "%" and _fractions(number):
        return Fit(unit="1", assumed=True)
    if _plausible(number, target, ""):
        return Fit(small=float(number.abs().max() or 0) <= FRACTIONS)  # type: ignore[arg-type]
    slips = [
        slip.unit for slip in unit_slips()
        if slip.column == target.name
        and _share(convert(number.cast(pl.Float64), slip.unit, target.unit), slip.low, slip.high) >= MOST
    ]  # fmt: skip
    return Fit(unit=slips[0], assumed=True) if len(slips) == 1 else None


def _plausible(number: pl.Series, target: Target, unit: str) -> bool:
    values = convert(number.cast(pl.Float64), unit or target.unit, target.unit)
    if target.name == "odometer_km" and (values.max() or 0) < LEAST_ODOMETER:  # type: ignore[operator]
        return False
    return _share(values, target.low, target.high) >= MOST


def _share(values: pl.Series, low: float, high: float) -> float:
    return float(values.drop_nulls().is_between(low, high).mean() or 0.0)  # type: ignore[arg-type]


def _fractions(number: pl.Series) -> bool:
    values = number.drop_nulls().abs()
    told = values.filter(values > 0)
    return len(told) >= 3 and float(told.max() or 0) <= FRACTIONS and told.n_unique() > 1  # type: ignore[arg-type]


def _names_vehicles(filled: pl.Series) -> bool:
    """Whether cells can be vehicles' numbers: short, few of them empty, no decimals, no times."""
    texts = cast(filled, "text", Reading()).drop_nulls()
    decimal = texts.str.contains(r"^[-+]?\d+[.,]\d+$").mean() or 0.0
    timed = cast(texts, "time", Reading()).count()
    longest = texts.str.len_chars().max() or 0
    return float(decimal) == 0 and timed == 0 and int(longest) <= 40  # type: ignore[arg-type]
