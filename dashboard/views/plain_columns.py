"""A table of a page as a file holds it: numbers of vehicles for links, words for marks, units in the names."""

import re
from collections.abc import Iterable
from urllib.parse import unquote

import polars as pl

from dashboard.palette import STATE, URGENCY

LINKED = re.compile(r"[?&]vehicle=([^&]*)$")
WORDS = {each.label: each.word for looks in (URGENCY, STATE) for each in looks.values()}


def plain_columns(rows: pl.DataFrame, *, percents: Iterable[str] = ()) -> pl.DataFrame:
    """The rows for a program that reads them.

    Args:
        rows: As the page shows them.
        percents: Columns shown in percent; their names then end with `_pct`.
    """
    texts = [name for name, dtype in rows.schema.items() if dtype == pl.String]
    plain = rows.with_columns(_plain(rows.get_column(name), linked=name == "vehicle_id") for name in texts)
    return plain.rename({name: f"{name}_pct" for name in percents if name in rows.columns and "_pct" not in name})


def _plain(texts: pl.Series, *, linked: bool) -> pl.Series:
    if not linked:
        return texts.replace(WORDS)
    numbers = [found and LINKED.search(found) for found in texts.to_list()]
    return pl.Series(
        texts.name,
        [unquote(number[1]) if number else text for number, text in zip(numbers, texts.to_list(), strict=True)],
        dtype=pl.String,
    )
