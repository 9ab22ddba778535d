"""What a name that comes from data may be, stated once for catalogue rows, readings, mappings, headers and files.

A name identifies something: a vehicle, a family, a depot, a component, a correction. Those of corrections become
columns of tables, so they must also be no word that these have already, no pattern that stands for several columns, and
differ from each other by more than case.
"""

import re
from functools import cache

import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.visible import STEERING, visible

NAME_CHARS = 100  # longest name; judgement: a VIN has 17 characters, serials and part numbers up to about 40
WRITTEN_BY_STORE = {
    "load_id", "row_number", "cells_found", "arrival", "stored_row", "same", "replaced_by", "replaced_at",
    "quarantine_id", "quarantine_column", "quarantine_reason", "as_of", "mended_by",
}  # fmt: skip
STEPS_BETWEEN = {  # columns that a computation adds beside those of corrections
    "off", "begun", "new", "nth", "final", "before", "outcome", "stored", "session", "correction", "value", "code",
}  # fmt: skip
PATTERN = re.compile(r"[*^$]")  # polars takes `*` and `^...$` for several columns
SUFFIX = re.compile(r" (before|long|counts)$")  # a merge puts such beside a column


@cache
def reserved_words() -> frozenset[str]:
    """Words that no correction may be called, in lower case: the contract's columns, and what the store writes."""
    columns = {column.name for table in drop_tables().values() for column in table.columns}
    return frozenset(word.casefold() for word in WRITTEN_BY_STORE | STEPS_BETWEEN | columns)


@cache
def naming_columns() -> frozenset[str]:
    """Columns of the contract that hold names: text of a key, wherever it stands, and modules' serials."""
    keys = {c.name for table in drop_tables().values() for c in table.columns if c.key and c.dtype == "text"}
    return frozenset(keys | {"module"})


def name_refusal(name: str, *, longest: int = NAME_CHARS) -> str | None:
    """Why a text cannot be a name; None: it can."""
    if len(name) > longest:
        return f"a name of more than {longest} characters"
    return "control characters in a name" if visible(name) != name else None


def code_refusal(name: str, *, longest: int = NAME_CHARS) -> str | None:
    """Why a text cannot be the name of a correction; None: it can."""
    if not name.strip():
        return "an empty name: give it one"
    if name.casefold() in reserved_words():
        return "a word that tables use themselves: name it otherwise"
    if PATTERN.search(name) or SUFFIX.search(name):
        return "a pattern or suffix that would stand for other columns: name it otherwise"
    return name_refusal(name, longest=longest)


def name_refusals(names: pl.Series, *, codes: bool, longest: int = NAME_CHARS) -> pl.DataFrame:
    """Names that are refused, each once, with the reason: columns `name` and `reason`."""
    told = code_refusal if codes else name_refusal
    found = [(name, told(name, longest=longest)) for name in _suspects(names, codes=codes, longest=longest)]
    refused = [(name, reason) for name, reason in found if reason]
    return pl.DataFrame(refused, schema={"name": pl.String, "reason": pl.String}, orient="row")


def _suspects(names: pl.Series, *, codes: bool, longest: int) -> list[str]:
    """Distinct names that are worth a look, told quickly among many."""
    distinct = names.unique().drop_nulls()
    if codes:
        return distinct.to_list()
    odd = (distinct.str.len_bytes() > longest) | distinct.str.contains(f"[{STEERING}]")
    return distinct.filter(odd).to_list()


def spelt_alike(names: pl.Series, known: dict[str, str]) -> pl.Series:
    """Names whose case differs from one that is known, or came before, in that one's spelling.

    Args:
        names: Text.
        known: Spelling by case-folded name; what comes first here is added to it.
    """
    distinct = names.unique(maintain_order=True).drop_nulls().to_list()
    other = {name: known.setdefault(name.casefold(), name) for name in distinct}
    changed = {name: spelling for name, spelling in other.items() if name != spelling}
    return names.replace(changed) if changed else names


def printable(name: str) -> str:
    """A name as a message can show it on one line: what steers is written out, what is too long is cut off."""
    shown = visible(name)
    return shown if len(shown) <= NAME_CHARS * 2 else f"{shown[:NAME_CHARS]}… ({len(name):,} characters)"
