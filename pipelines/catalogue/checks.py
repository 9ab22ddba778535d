"""The checks beyond type and range (those stand with the columns, in `tables`), as data; computes nothing."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check of one column.

    check: `words`, `shape`, `year`, `not_before`, `above`, `check_digit` look at one row (pipelines.intake.checking);
        `reference`, `never_falls`, `rate_per_day`, `factor`, `clock`, `alone` look at what is stored beside it
        (pipelines.store.plausibility).
    verdict: `quarantine`: the row stays out; `flag`: the row loads and is named in the report.
    """

    table: str
    column: str
    check: str
    argument: str
    verdict: str
    reason: str


@cache
def checks() -> tuple[Check, ...]:
    """All checks, in the order of the data file."""
    with files("pipelines.catalogue").joinpath("checks.csv").open(encoding="utf-8") as lines:
        return tuple(Check(**row) for row in csv.DictReader(lines))
