"""Lines of delimited text -> records, where cells may be quoted; a quote that is never closed costs its own line alone.

A record goes over several lines only if its quotes are well formed, it has as many cells as the header, and what lies
between its first and last line is not whole rows: those were swallowed by a stray quote.
"""

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipelines.intake.blocks import OPEN_QUOTE

csv.field_size_limit(2**31 - 1)  # a long cell is told by our own limit, with its row


@dataclass(frozen=True, kw_only=True)
class Quoting:
    """How cells lie in a line.

    separator: Between cells.
    width: How many cells a row has.
    longest: Characters over which one record may go.
    """

    separator: str
    width: int
    longest: int


def records(lines: Sequence[str], how: Quoting) -> Iterator[tuple[list[str], int | None]]:
    """Cells of each record, and why it is not whole (`OPEN_QUOTE`) if it is not; lines come without their ends."""
    at = 0
    while at < len(lines):
        line = lines[at]
        cells, closed = _of_line(line, how)
        taken, fault = 1, None
        if not closed:
            joined = _of_lines(lines, at, how)
            if joined:
                cells, taken = joined
            else:
                cells, fault = line.split(how.separator), OPEN_QUOTE
        yield cells, fault
        at += taken


def stands_alone(line: str, how: Quoting) -> bool:
    """Whether a line is a whole row by itself: as many cells as the header has, every quote closed."""
    if line.count('"') % 2:
        return False
    cells, closed = _of_line(line, how)
    return closed and len(cells) == how.width


def _of_line(line: str, how: Quoting) -> tuple[list[str], bool]:
    """The cells of a line by itself, and whether no quote stays open at its end."""
    line = line.removesuffix("\r")
    if '"' not in line:
        return line.split(how.separator) if line else [], True
    reader = csv.reader((line, ""), delimiter=how.separator)  # asks for the second line where a quote stays open
    try:
        cells = next(reader)
    except csv.Error:  # a carriage return amid the line
        return line.split(how.separator), True
    return cells, reader.line_num == 1


def _of_lines(lines: Sequence[str], at: int, how: Quoting) -> tuple[list[str], int] | None:
    """The cells of a record that begins at a line and goes on, and over how many lines; None: there is no such one."""
    reader = csv.reader(_near(lines, at, how.longest), delimiter=how.separator, strict=True)
    try:
        cells = next(reader)
    except csv.Error:
        return None
    taken = reader.line_num
    between = lines[at + 1 : at + taken - 1]
    if len(cells) != how.width or (between and all(stands_alone(line, how) for line in between)):
        return None
    return cells, taken


def _near(lines: Sequence[str], at: int, longest: int) -> Iterator[str]:
    """Lines from one on with their ends, as far as one record may go."""
    while at < len(lines) and longest > 0:
        yield f"{lines[at]}\n"
        longest -= len(lines[at]) + 1
        at += 1
