"""The page of queries: examples, what can be asked, what came of it in words, and whether two columns suit a chart."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files

import polars as pl

from dashboard.views.wording import Reader, count, listed, sentence, unit_word
from pipelines.catalogue.tables import Table
from pipelines.explain import TYPES

MOST_BARS = 40  # beyond, a name under each can't be read
MOST_POINTS = 2_000  # beyond, a browser slows down
FIGURES = (pl.Float32, pl.Float64, pl.Decimal)


@dataclass(frozen=True, kw_only=True)
class Question:
    """An example: what it asks in words, and the query."""

    asks: str
    sql: str


@cache
def examples() -> tuple[Question, ...]:
    """The example questions, in their order."""
    raw = tomllib.loads(files("dashboard.views").joinpath("questions.toml").read_text(encoding="utf-8"))
    return tuple(Question(asks=each["asks"], sql=each["sql"].strip()) for each in raw["question"])


def columns_of(table: Table) -> pl.DataFrame:
    """What a table holds: `column, type, unit, meaning`; columns of the key are marked."""
    return pl.DataFrame(
        [
            {
                "column": column.name,
                "type": TYPES[column.dtype],
                "unit": column.unit if column.unit == "1" else unit_word(column.unit),
                "meaning": column.meaning.replace("|", " | ") + (" (key)" if column.key else ""),
            }
            for column in table.columns
        ],
        schema=dict.fromkeys(("column", "type", "unit", "meaning"), pl.String),
    )


def said_of(rows: pl.DataFrame, *, cut: bool, states: Mapping[str, datetime | None], reader: Reader) -> list[str]:
    """What came of a query: how many rows, whether all, and what the tables show that are not of the state asked."""
    first = f"The first {rows.height:,} rows; there are more." if cut else f"{sentence(count(rows.height, 'row'))}."
    absent = [name for name, state in states.items() if state is None]
    older = [
        f"{name} stands as of {reader.moment(state)}"
        for name, state in states.items()
        if state is not None and state != reader.as_of
    ]
    return [
        first,
        *([f"{sentence(listed(absent))}: not published by then, so without rows."] if absent else []),
        *([f"{sentence(listed(older))}."] if older else []),
    ]


@dataclass(frozen=True, kw_only=True)
class Suited:
    """Two columns that make a chart: what goes across and up, and as what mark (`line`, `bars`, `points`)."""

    across: str
    up: str
    mark: str


def suited(rows: pl.DataFrame) -> Suited | None:
    """The first column and the first figure after it, where they make a chart that can be read; None: they don't."""
    columns = [name for name in rows.columns if name != "as_of" or rows["as_of"].n_unique() > 1]
    figures = [name for name in columns[1:] if rows[name].dtype.is_numeric() and rows[name].count()]
    if not figures or not 2 <= rows.height <= MOST_POINTS:
        return None
    across, up = columns[0], figures[0]
    kind = rows[across].dtype
    if kind in (pl.Date, pl.Datetime):
        return Suited(across=across, up=up, mark="line")
    if kind == pl.String or kind.is_integer():
        alone = rows[across].n_unique() == rows.height <= MOST_BARS
        return Suited(across=across, up=up, mark="bars") if alone else None
    return Suited(across=across, up=up, mark="points") if kind in FIGURES else None
