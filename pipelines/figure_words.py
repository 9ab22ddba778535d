"""Figures and dates in words, alike in published texts and on the screen."""

from collections.abc import Mapping
from datetime import date

import polars as pl


def percent(share: float) -> str:
    """A share from 0 to 1 as whole percent; 'under 1 %' and 'over 99 %' for what is near but not certain."""
    if 0 < share < 0.01:
        return "under 1 %"
    if 0.99 < share < 1:
        return "over 99 %"
    return f"{100 * share:.0f} %"


def day_words(at: date, as_of: date) -> str:
    """A day (UTC) as it is said: '2 July', with the year where it is not that of `as_of`."""
    year = "" if at.year == as_of.year else f" {at.year}"
    return f"{at.day} {at:%B}{year}"


def days_ago(days: float) -> str:
    """'today', '1 day ago', '54 days ago'."""
    whole = round(days)
    return "today" if whole < 1 else f"{whole} day{'' if whole == 1 else 's'} ago"


def with_names(table: pl.DataFrame, people: Mapping[str, str]) -> pl.DataFrame:
    """A plan's table whose `reason` names people, where it was published with their keys."""
    if not people:
        return table
    return table.with_columns(pl.col("reason").str.replace_many(list(people), list(people.values())))
