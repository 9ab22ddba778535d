"""Matches a file's header with the columns of its contract table; names what is kept out; reads no cell."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import polars as pl

from pipelines.catalogue.tables import Table
from pipelines.errors import DropError
from pipelines.intake.blocks import BOOKKEEPING

RESERVED = {*BOOKKEEPING, "arrival", "stored_row", "same", "replaced_by", "replaced_at", "quarantine_id"}
NAME = re.compile(r"[A-Za-z]\w{0,62}")
FREEZE_FRAME = re.compile(r"ff_\w{1,60}", re.IGNORECASE)
MENDED = ("quarantine_column", "quarantine_reason")  # what a quarantine export adds, beside quarantine_id


@dataclass(frozen=True, kw_only=True)
class Columns:
    """What the columns of a file are.

    known: Name in the file -> (name in the store, type word).
    waiting: Columns that no catalogue names yet; kept if all their cells are numbers, used once a catalogue does.
    extra: Names of columns that are kept out.
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


def match_columns(header: Iterable[str], table: Table, corrections: Iterable[str], *, file: str) -> Columns:
    """Say what each column of a file is; case, blanks around names and blanks for underscores do not matter.

    Raises:
        DropError: a column that the contract requires is not there.
    """
    contract = {column.name.casefold(): (column.name, column.dtype) for column in table.columns}
    catalogue = {code.casefold(): (code, "correction") for code in corrections} if table.name == "snapshots" else {}
    known: dict[str, tuple[str, str]] = {}
    waiting: list[str] = []
    extra: list[str] = []
    for name in header:
        plain = re.sub(r"\s+", "_", name.strip()).casefold()
        match = contract.get(plain) or catalogue.get(name.strip().casefold()) or catalogue.get(plain)
        if match and match not in known.values():
            known[name] = match
        elif plain == "quarantine_id":
            known[name] = (plain, "int")
        elif table.name == "faults" and FREEZE_FRAME.fullmatch(plain):
            known[name] = (plain, "float")
        elif table.name == "snapshots" and NAME.fullmatch(name) and plain not in {*RESERVED, *MENDED, *contract}:
            waiting.append(name)
        elif plain not in (*MENDED, *BOOKKEEPING):
            extra.append(name)
    found = {stored for stored, _ in known.values()}
    needed = [c.name for c in table.columns if c.required or table.name == "readings"]  # a value's cell may be empty
    if lacking := [name for name in needed if name not in found]:
        raise DropError(
            f"{file}: lacks {', '.join(lacking)}, which {table.name} must have "
            f"(found: {', '.join(list(header)[:8])}). Add it, or say with --mapping which column it is."
        )
    return Columns(known=known, waiting=tuple(waiting), extra=tuple(extra))
