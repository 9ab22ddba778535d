"""How large what comes in may be, stated once; each limit is a setting, and has a message of one line.

A limit is turned by an environment variable: `LEEWAY_MOST_` and the limit's name in capitals.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass, fields

from pipelines.catalogue.names import NAME_CHARS
from pipelines.errors import DropError, SettingError

PREFIX = "LEEWAY_MOST_"
NEVER_TOO_DENSE = 16 * 2**20  # bytes that may come out of any packed file, however small: they cost no second to read


@dataclass(frozen=True, kw_only=True)
class Limits:
    """The most that one file may hold. All are counts above zero.

    Raises:
        SettingError: a limit is not above zero.
    """

    unpacked_bytes: int = 16 * 2**30  # of a packed file once unpacked; thirty years of 10,000 weekly readings are 8 GB
    unpacked_ratio: int = 200  # unpacked over packed; measured: CSV of readings 5 to 20, rows nearly all empty 30
    rows: int = 50_000_000  # of a file; 10,000 vehicles read daily for ten years are 37 million
    columns: int = 2_500  # of a file; the richest modules keep some hundred corrections, DuckDB slows down beyond
    cell_chars: int = 32_767  # of a cell; what a spreadsheet's cell can hold
    name_chars: int = (
        NAME_CHARS  # of the name of a vehicle, a depot, a correction; judgement, see the catalogue's names
    )
    line_bytes: int = 32 * 2**20  # of a line of text; ten thousand times what a row of all corrections takes
    sheet_cells: int = 80_000_000  # of an XLSX sheet from its first to its last cell; 76 columns of a full sheet
    reader_bytes: int = 6 * 2**30  # memory of the process that reads a sheet or an upload; that sheet takes 4 GB

    def __post_init__(self) -> None:
        for each in fields(self):
            if getattr(self, each.name) < 1:
                raise SettingError(f"{setting_of(each.name)}: {getattr(self, each.name)} is not above zero. Raise it.")

    def refuse_beyond(self, name: str, count: int, *, file: str) -> None:
        """Refuse a file that holds more than it may.

        Args:
            name: Of the limit.
            count: What the file holds.
            file: Its name, for the message.

        Raises:
            DropError: it is more.
        """
        most = getattr(self, name)
        if count > most:
            raise DropError(beyond(file, name, count, most))

    def refuse_unpacked(self, unpacked: int, *, packed: int, file: str, whole: bool = True) -> None:
        """Refuse a packed file that unpacks to more than it may.

        Args:
            unpacked: Bytes that came out of it, or that it claims.
            packed: Its size in bytes.
            file: Its name, for the message.
            whole: Whether that is all; else it was not read further.

        Raises:
            DropError: it is more, or too many times its size.
        """
        if unpacked > max(packed * self.unpacked_ratio, NEVER_TOO_DENSE):
            ratio = unpacked // max(packed, 1) if whole else None
            raise DropError(beyond(file, "unpacked_ratio", ratio, self.unpacked_ratio))
        if unpacked > self.unpacked_bytes:
            raise DropError(beyond(file, "unpacked_bytes", unpacked if whole else None, self.unpacked_bytes))


def beyond(file: str, name: str, count: int | None, most: int) -> str:
    """The message for a file beyond a limit; count: None where it was not counted to its end."""
    holds = WORDS[name].format(f"more than {most:,}" if count is None else f"{count:,}")
    allowed = "" if count is None else f"; {most:,} are allowed"
    return f"{file}: {holds}{allowed}. Split the file, leave out what is not needed, or set {setting_of(name)}."


def setting_of(name: str) -> str:
    """The environment variable that sets a limit."""
    return PREFIX + name.upper()


def limits_from(environment: Mapping[str, str] = os.environ) -> Limits:
    """The limits, as far as the environment does not set others.

    Raises:
        SettingError: a setting is no whole number above zero.
    """
    found = {
        each.name: environment[setting_of(each.name)] for each in fields(Limits) if setting_of(each.name) in environment
    }
    for name, value in found.items():
        if not value.isdecimal():
            raise SettingError(f"{setting_of(name)}: '{value}' is not a whole number. Write one, without units.")
    return Limits(**{name: int(value) for name, value in found.items()})


WORDS = {
    "unpacked_bytes": "unpacks to {} bytes",
    "unpacked_ratio": "unpacks to {} times its size",
    "rows": "holds {} rows",
    "columns": "has {} columns",
    "cell_chars": "has a cell of {} characters",
    "name_chars": "has a name of {} characters",
    "line_bytes": "has a line of {} bytes",
    "sheet_cells": "has a sheet that reaches over {} cells",
    "reader_bytes": "takes {} bytes of memory to be read",
}


def limits_help() -> str:
    """A line per limit with its setting, for the command's help."""
    words = {each.name: WORDS[each.name].format("so many") for each in fields(Limits)}
    lines = [f"  {setting_of(each.name):27} {each.default:>14,}  {words[each.name]}" for each in fields(Limits)]
    return "\n".join(["\b", "A file is refused (a row or line of its own: quarantined) that", *lines])
