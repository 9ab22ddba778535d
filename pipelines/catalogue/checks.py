"""The checks beyond type and range (those stand with the columns, in `tables`), as data; computes nothing."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check of one column.

    check: `words`, `shape`, `year`, `not_before`, `above`, `check_digit` look at one row (pipelines.intake.checking);
        the others look at what is stored beside it (pipelines.flags.plausibility, pipelines.flags.own_past).
    verdict: `quarantine`: the row stays out; `flag`: the row loads and is named in the report.
    unit: What the values are in if the reason is right, for a proposal; empty: the check tells nothing of units.
    """

    table: str
    column: str
    check: str
    argument: str
    verdict: str
    reason: str
    unit: str


@dataclass(frozen=True, kw_only=True)
class UnitSlip:
    """A unit in which a column often comes by mistake.

    low, high: Between these, in the contract's unit, lies what was out of range before, if the unit is right.
    """

    column: str
    unit: str
    low: float
    high: float


@cache
def unit_slips() -> tuple[UnitSlip, ...]:
    """All unit slips, in the order of the data file."""
    with files("pipelines.catalogue").joinpath("unit_slips.csv").open(encoding="utf-8") as lines:
        return tuple(
            UnitSlip(column=row["column"], unit=row["unit"], low=float(row["low"]), high=float(row["high"]))
            for row in csv.DictReader(lines)
        )


@cache
def checks() -> tuple[Check, ...]:
    """All checks, in the order of the data file."""
    with files("pipelines.catalogue").joinpath("checks.csv").open(encoding="utf-8") as lines:
        return tuple(Check(**row) for row in csv.DictReader(lines))


def waits_for(table: str) -> str:
    """The reason of rows that wait for a row of another table, which names their vehicle."""
    return next(check.reason for check in checks() if check.check == "reference" and check.argument == table)
