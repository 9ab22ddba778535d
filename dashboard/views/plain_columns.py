"""A table of a page as a file holds it: words for marks, units in the names of percentages."""

from collections.abc import Iterable

import polars as pl

from dashboard.palette import STATE, URGENCY

WORDS = {each.label: each.word for looks in (URGENCY, STATE) for each in looks.values()}


def plain_columns(rows: pl.DataFrame, *, percents: Iterable[str] = ()) -> pl.DataFrame:
    """The rows for a program that reads them.

    Args:
        rows: As the page shows them.
        percents: Columns shown in percent; their names then end with `_pct`.
    """
    plain = rows.with_columns(pl.col(pl.String).replace(WORDS))
    return plain.rename({name: f"{name}_pct" for name in percents if name in rows.columns and "_pct" not in name})
