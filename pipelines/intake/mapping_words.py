"""The words of a mapping file, and what each takes, as data; a word or value that is none is refused with its place."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from pipelines.catalogue.names import printable
from pipelines.errors import SettingError

MOST_LINES = 1_000_000  # before a header; judgement: no tool writes more than a page


@dataclass(frozen=True, kw_only=True)
class Kind:
    """What a word takes: how a message calls it, and whether a value is one."""

    name: str
    holds: Callable[[object], bool]


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(each, str) for each in value)


TEXT = Kind(name="a text", holds=lambda value: isinstance(value, str))
TEXTS = Kind(name="a list of texts", holds=_texts)
NAMES = Kind(name="a text or a list of texts, none empty", holds=lambda value: bool(value) and all(
    isinstance(each, str) and each for each in (value if isinstance(value, list) else [value])
))  # fmt: skip
NUMBER = Kind(name="a number", holds=_number)
MINUTES = Kind(name="a number above 0", holds=lambda value: _number(value) and value > 0)  # type: ignore[operator]
LINES = Kind(name=f"a whole number from 0 to {MOST_LINES:,}", holds=lambda value: type(value) is int and (
    0 <= value <= MOST_LINES
))  # fmt: skip
COUNT = Kind(name="a whole number from 1 to 1,000,000", holds=lambda value: type(value) is int and (
    1 <= value <= MOST_LINES
))  # fmt: skip
SEPARATOR = Kind(name="one of , ; | and tab", holds=lambda value: value in ("", ",", ";", "\t", "|"))
DECIMAL = Kind(name="a comma or a dot", holds=lambda value: value in ("", ",", "."))
TABLE = Kind(name="a table of TOML", holds=lambda value: isinstance(value, dict))
CELLS = Kind(name="a table of texts and numbers", holds=lambda value: isinstance(value, dict) and not any(
    isinstance(each, dict | list) for each in value.values()
))  # fmt: skip
TABLES = Kind(name="a list of tables of TOML", holds=lambda value: isinstance(value, list) and all(
    isinstance(each, dict) for each in value
))  # fmt: skip

MAPPING = {
    "table": TEXT,
    "file": TABLE,
    "constants": CELLS,
    "from_name": CELLS,
    "from_folder": CELLS,
    "log": TABLE,
    "long": TABLE,
    "column": TABLES,
}
FILE = {"separator": SEPARATOR, "decimal": DECIMAL, "skip_lines": LINES, "short_rows": TEXT}
LOG = {"session_gap_minutes": MINUTES, "least_rows": COUNT}
LONG = {"name": TEXT, "value": TEXT, "unit": TEXT, "by": TEXTS}
COLUMN = {
    "to": TEXT, "from": NAMES, "unit": TEXT, "form": TEXT, "true": TEXTS, "false": TEXTS, "how": TEXT, "where": TABLES,
}  # fmt: skip
CONDITION = {"column": TEXT, "above": NUMBER, "below": NUMBER, "equals": TEXT}


def hold_to(entry: object, words: Mapping[str, Kind], where: str, *, needed: tuple[str, ...] = ()) -> None:
    """Refuse a table of TOML with a word that is none, a value that its word does not take, or without one it needs.

    Raises:
        SettingError: it is such a table, or no table.
    """
    if not isinstance(entry, dict):
        raise SettingError(f"{where}: is no table of TOML. See `leeway load --help` for an example.")
    for word, value in entry.items():
        if word not in words:
            raise SettingError(
                f"{where}: '{printable(word)}' is none of {', '.join(sorted(words))}. Check the spelling."
            )
        if not words[word].holds(value):
            shown = printable(repr(value))
            raise SettingError(f"{where}, {word}: {shown} is not {words[word].name}. See `leeway load --help`.")
    if any(word not in entry for word in needed):
        wanted = " and ".join(f"`{word}`" for word in needed)
        raise SettingError(f"{where}: needs {wanted}. See `leeway load --help` for an example.")
