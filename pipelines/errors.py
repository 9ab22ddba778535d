"""Errors that a user can act on: one line that says what, where, and what to do."""

import re


class LeewayError(Exception):
    """Something the user can mend; its text is the one line shown, without a traceback."""


class SettingError(LeewayError):
    """A setting outside its range."""


class DropError(LeewayError):
    """A drop, or a file of one, that cannot be read at all."""


class EmptyError(DropError):
    """A file of a drop that holds nothing: nothing of it is lost."""


class LacksColumnsError(DropError):
    """A file of a drop without columns that its table must have: perhaps a foreign file with a drop's name."""


class StoreError(LeewayError):
    """A store that is absent, locked by another process, damaged or of another version."""


class LockedError(StoreError):
    """A store that another process is writing to."""


class QueryError(LeewayError):
    """A query of the published tables that is none, is not allowed, or goes beyond its limits."""


COLOURED = re.compile("\x1b\\[[0-9;]*m")  # what makes a terminal write in colour
TRACED = re.compile(r"^.*Traceback \(most recent call last\):.*\n(?:\w+\.)*\w+: ", re.DOTALL)
# Of a damaged store.
WAY_OUT = "Take the newest whole state that lies there: leeway store restore; or name a backup to it."


def one_line(error: BaseException) -> str:
    """An error's text as the part of a line, without what DuckDB puts around it: calls, and where in the SQL."""
    text = TRACED.sub("", COLOURED.sub("", str(error))).split("\nLINE ")[0]
    return " ".join(text.split())[:200].rstrip(".")
