"""The contract's tables as data: columns, types, keys, ranges of every drop table and published table; no rows."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import polars as pl

DTYPES: dict[str, pl.DataType] = {
    "text": pl.String(),
    "int": pl.Int64(),
    "float": pl.Float64(),
    "bool": pl.Boolean(),
    "date": pl.Date(),
    "time": pl.Datetime("us", "UTC"),
}


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column of a table: its type word, unit, and the hard and usual range of its values (None: open)."""

    name: str
    dtype: str
    unit: str
    key: bool
    required: bool
    low: float | None = None
    high: float | None = None
    usual_low: float | None = None
    usual_high: float | None = None
    meaning: str = ""


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of the contract."""

    name: str
    columns: tuple[Column, ...]

    @property
    def key(self) -> list[str]:
        """Names of the columns that identify a row."""
        return [column.name for column in self.columns if column.key]

    @property
    def schema(self) -> pl.Schema:
        """Polars schema, columns in the contract's order."""
        return pl.Schema({column.name: DTYPES[column.dtype] for column in self.columns})

    def empty(self) -> pl.DataFrame:
        """The table without rows."""
        return pl.DataFrame(schema=self.schema)


@cache
def drop_tables() -> dict[str, Table]:
    """Tables that a fleet hands over, by name (contract, section 1)."""
    return _read("drop_tables.csv")


@cache
def published_tables() -> dict[str, Table]:
    """Tables that an analysis publishes, by name, without `as_of` (contract, section 5)."""
    return _read("published_tables.csv")


@cache
def more_published() -> dict[str, Table]:
    """What is published beyond the contract and can be asked: tables that explain, and columns of its own tables."""
    return _read("more_published.csv")


@dataclass(frozen=True, kw_only=True)
class EntryColumns:
    """The columns of what people enter, in the contract's order.

    Attributes:
        schema: Names and polars types.
        text_limits: Most characters of each text column.
    """

    schema: pl.Schema
    text_limits: dict[str, int]


@cache
def entry_columns() -> EntryColumns:
    """Columns of the record of entries (contract, section 6)."""
    with files("pipelines.catalogue").joinpath("entry_columns.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    return EntryColumns(
        schema=pl.Schema({row["column"]: DTYPES[row["dtype"]] for row in rows}),
        text_limits={row["column"]: int(row["most_characters"]) for row in rows if row["most_characters"]},
    )


def _read(name: str) -> dict[str, Table]:
    grouped: dict[str, list[Column]] = {}
    with files("pipelines.catalogue").joinpath(name).open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            grouped.setdefault(row["table"], []).append(_column(row))
    return {table: Table(name=table, columns=tuple(columns)) for table, columns in grouped.items()}


def _column(row: dict[str, str]) -> Column:
    bounds = {name: float(row[name]) for name in ("low", "high", "usual_low", "usual_high") if row.get(name)}
    return Column(
        name=row["column"],
        dtype=row["dtype"],
        unit=row["unit"],
        key=row["key"] == "yes",
        required=row.get("required") == "yes",
        meaning=row["meaning"],
        **bounds,
    )
