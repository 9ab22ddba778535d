"""Files with one measured value a row: which column names what was measured, and which one holds it.

Headers tell, or the cells do: where no header is a correction's, a column whose cells are names of corrections says
what each row is of, whatever it is called and in whatever language.
"""

from collections.abc import Collection
from collections.abc import Mapping as Answers

import polars as pl

from pipelines.intake.blocks import BOOKKEEPING
from pipelines.intake.casting import Reading, cast, is_empty
from pipelines.intake.draft_cells import MOST, Target
from pipelines.intake.draft_columns import Found, meanings_of
from pipelines.intake.draft_keys import Question
from pipelines.intake.foreign import numbers_and_units
from pipelines.intake.mapping import LongForm

VALUE = "value"  # key of the question which column holds what was measured
MOST_NAMES = 2_000  # distinct names of measurements in a file; judgement: modules report a few hundred
LEAST_NAMES = 2  # that are known before cells count as names; judgement


def long_form(
    cells: pl.DataFrame, found: Found, known: dict[str, Target], catalogue: pl.DataFrame, how: Reading,
    *, answers: Answers[str, str],
) -> LongForm | Question | None:  # fmt: skip
    """Names, values and units of a file with one measured value a row; a question where the values are not clear.

    None: it is no such file.

    Args:
        cells: Of the file.
        found: What its headers say.
        known: What a column can become.
        catalogue: Corrections.
        how: How numbers are written.
        answers: Given so far.
    """
    name = found.roles.get("~parameter", "")
    by_header = bool(name) and "~value" in found.roles
    if not by_header:
        if any(known[column.to].kind == "correction" for column in found.columns):
            return None
        name = _names_measurements(cells, known, catalogue, taken={column.source for column in found.columns})
    if not name:
        return None
    value = answers.get(VALUE, "") or found.roles.get("~value", "")
    if value not in cells.columns:
        used = {name, *(column.source for column in found.columns), *found.times, *found.seconds}
        numeric = [each for each in cells.columns if each not in BOOKKEEPING and each not in used and (
            _is_numeric(cells[each], how)
        )]  # fmt: skip
        if len(numeric) != 1:
            return Question(
                key=VALUE, text=f"'{name}' names what was measured. Which column holds the value?",
                options=tuple((each, f"'{each}', such as {_first(cells[each])}") for each in numeric),
            )  # fmt: skip
        value = numeric[0]
    return LongForm(name=name, value=value, unit=found.roles.get("~unit", ""))


def _names_measurements(
    cells: pl.DataFrame, known: dict[str, Target], catalogue: pl.DataFrame, *, taken: Collection[str]
) -> str:
    """The column whose cells are names of corrections and of other columns of the contract; empty: none is."""
    codes = set(catalogue["code"])
    for column in cells.columns:
        if column in BOOKKEEPING or column in taken or cells[column].dtype != pl.String:
            continue
        names = cast(cells[column], "text", Reading()).drop_nulls().unique(maintain_order=True)
        if not LEAST_NAMES <= len(names) <= min(MOST_NAMES, cells.height // 2):
            continue
        header = pl.DataFrame({name: [""] for name in names if name not in BOOKKEEPING})
        meant = [each & set(known) for each in meanings_of(header, known, catalogue).values()]
        if sum(bool(each) for each in meant) >= LEAST_NAMES and any(each & codes for each in meant):
            return column
    return ""


def _is_numeric(cells: pl.Series, how: Reading) -> bool:
    """Whether cells are numbers, with or without a unit, and not all alike."""
    filled = cells.filter(~is_empty(cells, "float")) if cells.dtype == pl.String else cells.drop_nulls()
    numbers = numbers_and_units(filled, how)["number"]
    return len(filled) > 0 and numbers.count() >= MOST * len(filled) and numbers.n_unique() > 1


def _first(cells: pl.Series) -> str:
    return str(cast(cells, "text", Reading()).drop_nulls().first())
