"""What the columns of a foreign file mean: a mapping file (TOML) read, checked and written; no row is touched here."""

import json
import re
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipelines.catalogue.names import code_refusal, printable
from pipelines.catalogue.tables import drop_tables
from pipelines.errors import SettingError
from pipelines.intake import mapping_words as words
from pipelines.intake.mapping_words import hold_to

HOWS = ("mean", "median", "min", "max", "first", "last")
SHORT_ROWS = ("quarantine", "pad_end", "pad_start")
FORMS = ("", "clock", "elapsed")


@dataclass(frozen=True, kw_only=True)
class Condition:
    """Rows of a log that count: those whose `column` lies above and below these (each if given), or equals a text."""

    column: str
    above: float | None = None
    below: float | None = None
    equals: str | None = None


@dataclass(frozen=True, kw_only=True)
class MappedColumn:
    """One column of the contract and where it comes from.

    to: Name in the contract or the catalogue.
    source: Name in the file (`from` in TOML).
    also: Further columns whose cells follow after a blank, such as the time after the date (`from` is a list then).
    unit: Unit in the file, where its cells do not say it themselves; empty: the contract's, of elapsed time seconds.
    form: How a time is written (as for strptime, `%d.%m.%Y %H:%M:%S`), or `clock` (1:02:03 is a duration), or
        `elapsed` (a duration, or a number, since the constant of this name).
    true, false: Texts (parts of the cell are enough) that mean yes and no.
    how: How the rows of a log become one value; empty: the file holds one row per row of the table.
    where: The rows that count for it.
    """

    to: str
    source: str
    also: tuple[str, ...] = ()
    unit: str = ""
    form: str = ""
    true: tuple[str, ...] = ()
    false: tuple[str, ...] = ()
    how: str = ""
    where: tuple[Condition, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Mapping:
    """What a foreign file's columns mean.

    table: The contract's table that its rows become.
    separator, decimal, skip_lines, short_rows: How the text file is written; empty: found out. Where the decimal sign
        is said to be a comma, dots group thousands.
    constants: Cells that are the same in every row, by column.
    from_name: Cells that the file's name holds, by column: a pattern with one group.
    session_gap_minutes: A log pauses at least so long between two snapshots; None: a file is one snapshot.
    """

    table: str
    separator: str = ""
    decimal: str = ""
    skip_lines: int = 0
    short_rows: str = "quarantine"
    constants: dict[str, str] = field(default_factory=dict)
    from_name: dict[str, str] = field(default_factory=dict)
    session_gap_minutes: float | None = None
    columns: tuple[MappedColumn, ...] = ()

    @property
    def aggregates(self) -> bool:
        """Whether many rows of a log become one snapshot."""
        return any(column.how for column in self.columns)


def read_mapping(path: Path) -> Mapping:
    """The mapping that a TOML file describes.

    Raises:
        SettingError: the file is not TOML, or says something that no mapping can say.
    """
    try:
        return parse_mapping(tomllib.loads(path.read_text(encoding="utf-8")), path.name)
    except OSError as error:
        raise SettingError(f"{path}: {error.strerror or error}. Name a mapping file that can be read.") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingError(
            f"{path.name}: {' '.join(str(error).split())}. Write the mapping as TOML in UTF-8."
        ) from error


def parse_mapping(raw: dict[str, Any], name: str) -> Mapping:
    """The mapping that parsed TOML describes; `name` is for messages.

    Raises:
        SettingError: a word is not known, or a value is not what the word takes.
    """
    hold_to(raw, words.MAPPING, name)
    table, file, log = raw.get("table"), raw.get("file", {}), raw.get("log", {})
    if table not in drop_tables():
        raise SettingError(
            f"{name}, table: '{table}' is none of {', '.join(drop_tables())}. Say which one the rows become."
        )
    hold_to(file, words.FILE, f"{name}, [file]")
    hold_to(log, words.LOG, f"{name}, [log]")
    mapping = Mapping(
        table=table,
        **file,
        constants={key: str(value) for key, value in raw.get("constants", {}).items()},
        from_name={key: str(value) for key, value in raw.get("from_name", {}).items()},
        session_gap_minutes=log.get("session_gap_minutes"),
        columns=tuple(_column(entry, name) for entry in raw.get("column", [])),
    )
    _check(mapping, name)
    return mapping


def mapping_text(mapping: Mapping) -> str:
    """The mapping as TOML, as `read_mapping` reads it."""
    lines = [f"table = {_toml(mapping.table)}", "", "[file]"]
    lines += [
        f"{word} = {_toml(getattr(mapping, word))}"
        for word in ("separator", "decimal", "skip_lines", "short_rows")
        if getattr(mapping, word) not in ("", 0)
    ]
    for section in ("constants", "from_name"):
        if cells := getattr(mapping, section):
            lines += ["", f"[{section}]", *(f"{_toml(key)} = {_toml(value)}" for key, value in cells.items())]
    if mapping.session_gap_minutes is not None:
        lines += ["", "[log]", f"session_gap_minutes = {mapping.session_gap_minutes:g}"]
    for column in mapping.columns:
        source = (column.source, *column.also) if column.also else column.source
        lines += ["", "[[column]]", f"to = {_toml(column.to)}", f"from = {_toml(source)}"]
        lines += [
            f"{w} = {_toml(getattr(column, w))}" for w in ("unit", "form", "true", "false", "how") if getattr(column, w)
        ]
        lines += [f"where = [{', '.join(_condition_text(c) for c in column.where)}]"] if column.where else []
    return "\n".join(lines) + "\n"


def _column(entry: dict[str, Any], name: str) -> MappedColumn:
    where = f"{name}, column {printable(str(entry.get('to', '?')))}"
    hold_to(entry, words.COLUMN, where, needed=("to", "from"))
    source = entry["from"]
    names: list[str] = source if isinstance(source, list) else [source]
    conditions = entry.get("where", [])
    for condition in conditions:
        hold_to(condition, words.CONDITION, f"{where}, where", needed=("column",))
    return MappedColumn(
        to=entry["to"], source=names[0], also=tuple(names[1:]), unit=entry.get("unit", ""), form=entry.get("form", ""),
        true=tuple(entry.get("true", ())), false=tuple(entry.get("false", ())), how=entry.get("how", ""),
        where=tuple(Condition(**condition) for condition in conditions),
    )  # fmt: skip


def _check(mapping: Mapping, name: str) -> None:
    _check_names(mapping, name)
    if mapping.short_rows not in SHORT_ROWS:
        raise SettingError(f"{name}, short_rows: '{mapping.short_rows}' is none of {', '.join(SHORT_ROWS)}.")
    for column in mapping.columns:
        if column.how and column.how not in HOWS:
            raise SettingError(f"{name}, column {column.to}, how: '{column.how}' is none of {', '.join(HOWS)}.")
        if column.form not in FORMS and "%" not in column.form:
            raise SettingError(
                f"{name}, column {column.to}, form: '{column.form}' is neither clock, elapsed, "
                "nor a form such as %d.%m.%Y."
            )
    for key, pattern in mapping.from_name.items():
        try:
            groups = re.compile(pattern).groups
        except re.error as error:
            raise SettingError(f"{name}, from_name, {key}: {error}. Write a pattern with one group.") from error
        if groups != 1:
            raise SettingError(f"{name}, from_name, {key}: has {groups} groups. Write a pattern with one group.")


def _check_names(mapping: Mapping, name: str) -> None:
    """Each column that a mapping makes is one of the table's or can be a correction's name, and is made once."""
    contract = drop_tables()[mapping.table].schema
    made = [column.to for column in mapping.columns]
    for to in [*made, *mapping.constants, *mapping.from_name]:
        if to not in contract and (reason := code_refusal(to)):
            raise SettingError(f"{name}, {printable(to)}: {reason.split(':')[0]}. Name a column of {mapping.table}.")
    twice = [to for to, times in Counter(to.casefold() for to in made).items() if times > 1]
    if twice:
        raise SettingError(f"{name}, column {printable(twice[0])}: is made twice, whatever the case. Leave one out.")


def _toml(value: object) -> str:
    """A value as TOML; its basic strings are JSON's."""
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(each) for each in value)}]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _condition_text(condition: Condition) -> str:
    said = {word: getattr(condition, word) for word in ("column", "above", "below", "equals")}
    return "{ " + ", ".join(f"{word} = {_toml(value)}" for word, value in said.items() if value is not None) + " }"
