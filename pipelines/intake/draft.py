"""Drafts a mapping from a foreign file, and shows what it would make of the file's first rows; a person decides."""

import csv
import re
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from functools import cache
from importlib.resources import files
from pathlib import Path

import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.intake.blocks import BOOKKEEPING
from pipelines.intake.casting import Reading, cast, is_empty
from pipelines.intake.files import foreign_files
from pipelines.intake.mapped import foreign_cells, made_of, units_of
from pipelines.intake.mapping import MappedColumn, Mapping
from pipelines.intake.units import fits

BRACKETS = r"[\[(]([^\])]*)[\])]\s*$"
ALIKE = 0.75  # names at least so alike (share of common letters in order) are drafted as the same
TIME_FORMS = ["%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d/%m/%Y %H:%M:%S", "%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M:%S",
              "%m/%d/%Y %H:%M", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d %H:%M:%S"]  # fmt: skip
PREVIEW_ROWS = 20


@dataclass(frozen=True, kw_only=True)
class Preview:
    """What a mapping makes of a file.

    columns: One row per mapped column: to, source, example (the first cell), unit (in the file), becomes, store_unit.
    rows: The first rows as the contract's table.
    unmapped: Names of the file's columns that nothing is made of.
    """

    columns: pl.DataFrame
    rows: pl.DataFrame
    unmapped: tuple[str, ...]

    def lines(self) -> list[str]:
        """The same for people: a line per column, then the columns that nothing is made of."""
        lines = [
            f"{row['to']}: from '{row['source']}', whose first cell '{row['example']}' becomes {row['becomes']} "
            f"{row['store_unit'] or ''}".rstrip()
            for row in self.columns.iter_rows(named=True)
        ]
        return lines + ([f"Nothing is made of: {', '.join(self.unmapped)}."] if self.unmapped else [])


def draft_mapping(path: Path, catalogue: pl.DataFrame, *, table: str = "snapshots") -> Mapping:
    """A first guess at a mapping: columns by their names, units by brackets and cells, the form of times.

    Args:
        path: The foreign file.
        catalogue: Corrections of the fleet: code, title, unit.
        table: The contract's table that the rows are to become.

    Raises:
        DropError: the file cannot be read.
    """
    mapping = Mapping(table=table, short_rows="pad_end")
    cells, _ = foreign_cells(foreign_files([path], table)[0], mapping)
    units = units_of(table, catalogue)
    taken: set[str] = set()
    columns = []
    for name in [name for name in cells.columns if name not in BOOKKEEPING]:
        to = _target(name, table, catalogue)
        if to and to not in taken:
            taken.add(to)
            columns.append(_drafted(cells[name], to, name, table, units))
    constants = {key: "" for key in drop_tables()[table].key if key not in taken}
    return replace(mapping, columns=tuple(columns), constants=constants)


def preview_mapping(path: Path, mapping: Mapping, catalogue: pl.DataFrame, *, time_zone: str = "UTC") -> Preview:
    """What a mapping makes of the file's first rows.

    Raises:
        DropError: the file cannot be read, or lacks a column of the mapping.
        SettingError: a unit is not known or does not fit.
    """
    file = foreign_files([path], mapping.table)[0]
    cells, decimal_comma = foreign_cells(file, mapping)
    units = units_of(mapping.table, catalogue)
    head = cells if mapping.aggregates else cells.head(PREVIEW_ROWS)
    rows = made_of(head, file, mapping, units=units, decimal_comma=decimal_comma, time_zone=time_zone)
    examples = [_example(cells[column.source]) for column in mapping.columns]
    columns = pl.DataFrame({
        "to": [column.to for column in mapping.columns], "source": [column.source for column in mapping.columns],
        "example": examples, "unit": [column.unit for column in mapping.columns],
        "becomes": [_example(rows[column.to]) for column in mapping.columns],
        "store_unit": [units.get(column.to, "") for column in mapping.columns],
    })  # fmt: skip
    used = {name for column in mapping.columns for name in (column.source, *column.also)}
    unmapped = tuple(name for name in cells.columns if name not in used and name not in BOOKKEEPING)
    return Preview(columns=columns, rows=rows.drop("row_number").head(PREVIEW_ROWS), unmapped=unmapped)


def _target(name: str, table: str, catalogue: pl.DataFrame) -> str | None:
    plain = _plain(re.sub(BRACKETS, "", name))
    names = {_plain(column.name): column.name for column in drop_tables()[table].columns}
    if table == "snapshots":
        names |= {_plain(title or code): code for code, title in catalogue.select("code", "title").iter_rows()}
        names |= {_plain(code): code for code in catalogue["code"]}
    names |= {_plain(alias): column for alias, column in _aliases() if column in drop_tables()[table].schema}
    if plain in names:
        return names[plain]
    best = max(names, key=lambda other: (SequenceMatcher(None, plain, other).ratio(), other))
    return names[best] if SequenceMatcher(None, plain, best).ratio() >= ALIKE else None


def _drafted(cells: pl.Series, to: str, name: str, table: str, units: dict[str, str]) -> MappedColumn:
    column = MappedColumn(to=to, source=name)
    bracket = re.search(BRACKETS, name)
    if to in units:
        unit = bracket[1] if bracket else ""
        return replace(column, unit=unit if unit and fits(unit, units[to]) else "")
    if drop_tables()[table].schema.get(to) == pl.Datetime("us", "UTC"):
        return replace(column, form=_time_form(cells))
    return column


def _time_form(cells: pl.Series) -> str:
    """The first form in which every time reads; empty: they are ISO 8601, or no form fits."""
    texts = cells.cast(pl.String).filter(~is_empty(cells, "time")).str.strip_chars()
    if cast(texts, "time", Reading()).null_count() == 0:
        return ""
    for form in TIME_FORMS:
        if texts.str.to_datetime(form, strict=False, time_unit="us").null_count() == 0:
            return form
    return ""


def _example(cells: pl.Series) -> str:
    filled = cells.cast(pl.String).drop_nulls()
    filled = filled.filter(filled.str.strip_chars() != "")
    return filled[0] if len(filled) else ""


def _plain(text: str) -> str:
    return " ".join(re.findall(r"[^\W_]+", text.casefold()))


@cache
def _aliases() -> list[tuple[str, str]]:
    with files("pipelines.intake").joinpath("aliases.csv").open(encoding="utf-8") as lines:
        return [(row["alias"], row["column"]) for row in csv.DictReader(lines)]
