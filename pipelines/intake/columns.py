"""Matches a file's header with the columns of its contract table; names what is kept out; reads no cell."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import polars as pl

from pipelines.catalogue.names import NAME_CHARS, WRITTEN_BY_STORE, code_refusal, printable
from pipelines.catalogue.tables import Table
from pipelines.errors import LacksColumnsError
from pipelines.intake.blocks import BOOKKEEPING

NAME = re.compile(r"[A-Za-z]\w{0,62}")
NUMBERED = re.compile(r"(.+) \(\d+\)")  # what a name became that came before, or is ours: see `distinct_names`
FREEZE_FRAME = re.compile(r"ff_\w{1,60}", re.IGNORECASE)
MENDED = ("quarantine_column", "quarantine_reason")  # what a quarantine export adds, beside quarantine_id


@dataclass(frozen=True, kw_only=True)
class Columns:
    """What the columns of a file are.

    known: Name in the file -> (name in the store, type word).
    waiting: Columns that no catalogue names yet; kept if all their cells are numbers, used once a catalogue does.
    extra: Names of columns that are kept out, as a message shows them; with the reason where it is the name.
    """

    known: dict[str, tuple[str, str]]
    waiting: tuple[str, ...]
    extra: tuple[str, ...]

    @cached_property
    def numbers(self) -> dict[str, pl.DataType]:
        """Types in which delimited text may be read at once."""
        types: dict[str, pl.DataType] = {}
        for name, (_, kind) in self.known.items():
            if kind in ("float", "int", "correction"):
                types[name] = pl.Float32() if kind == "correction" else pl.Float64()
        return types


def match_columns(
    header: Iterable[str], table: Table, corrections: Iterable[str], *, file: str, longest: int = NAME_CHARS
) -> Columns:
    """Say what each column of a file is; case, blanks around names and blanks for underscores do not matter.

    Raises:
        LacksColumnsError: a column that the contract requires is not there.
    """
    contract = {column.name.casefold(): (column.name, column.dtype) for column in table.columns}
    catalogue = {code.casefold(): (code, "correction") for code in corrections} if table.name == "snapshots" else {}
    known: dict[str, tuple[str, str]] = {}
    taken: set[tuple[str, str]] = set()
    waiting: list[str] = []
    extra: list[str] = []
    for name in header:
        plain = re.sub(r"\s+", "_", name.strip()).casefold()
        match = contract.get(plain) or catalogue.get(name.strip().casefold()) or catalogue.get(plain)
        match = match or _beside_contract(plain, table)
        if match and match not in taken:
            known[name] = match
            taken.add(match)
        elif table.name == "snapshots" and NAME.fullmatch(name) and not code_refusal(plain, longest=longest):
            waiting.append(name)
        elif plain not in (*MENDED, *BOOKKEEPING):
            extra.append(_with_reason(name, longest))
    found = {stored for stored, _ in known.values()}
    needed = [c.name for c in table.columns if c.required or table.name == "readings"]  # a value's cell may be empty
    if lacking := [name for name in needed if name not in found]:
        raise LacksColumnsError(
            f"{file}: lacks {', '.join(lacking)}, which {table.name} must have "
            f"(found: {', '.join(printable(name) for name in list(header)[:8])}). "
            "Add it, say with --mapping which column it is, or load the file in a terminal or with --yes."
        )
    return Columns(known=known, waiting=tuple(waiting), extra=tuple(extra))


def with_room(columns: Columns, stored: set[str], *, most: int) -> Columns:
    """The same columns, of those that wait no more than the store has room for.

    Args:
        columns: As `match_columns` gives them.
        stored: Names of the columns that the store's table has, in lower case; what is given room is added.
        most: How many it may have.
    """
    new = [name for name in columns.waiting if name.casefold() not in stored]
    kept = new[: max(most - len(stored), 0)]
    surplus = set(new[len(kept) :])
    stored.update(name.casefold() for name in kept)
    if not surplus:
        return columns
    told = tuple(f"{name} (the store has {most} columns already)" for name in columns.waiting if name in surplus)
    waiting = tuple(name for name in columns.waiting if name not in surplus)
    return Columns(known=columns.known, waiting=waiting, extra=columns.extra + told)


def _beside_contract(plain: str, table: Table) -> tuple[str, str] | None:
    """Columns that a table takes beside the contract's: where a row comes back from quarantine, and freeze frames."""
    if plain == "quarantine_id":
        return plain, "int"
    return (plain, "float") if table.name == "faults" and FREEZE_FRAME.fullmatch(plain) else None


def _with_reason(name: str, longest: int) -> str:
    """A name that is kept out, with the reason where that is the name itself."""
    numbered = NUMBERED.fullmatch(name)
    own = numbered[1].casefold() if numbered else name.casefold()
    if own in WRITTEN_BY_STORE:
        return f"{printable(name)} (a word of the store's own)"
    if numbered:
        return f"{printable(numbered[1])} (the same name stands before it, whatever its case)"
    reason = code_refusal(name, longest=longest)
    return f"{printable(name)} ({reason.split(':')[0]})" if reason else printable(name)
