"""What the columns of a foreign file mean: a mapping file (TOML) read, checked and written; no row is touched here."""

import json
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipelines.catalogue.names import printable
from pipelines.catalogue.tables import drop_tables
from pipelines.errors import SettingError
from pipelines.intake import mapping_words as words
from pipelines.intake.foreign_times import NAMED_FORMS
from pipelines.intake.mapping_words import hold_to

HOWS = ("mean", "median", "min", "max", "first", "last")
SHORT_ROWS = ("quarantine", "pad_end", "pad_start")
FORMS = ("", "clock", "elapsed", *NAMED_FORMS)
NUMBERED = ("mean", "median", "min", "max")  # what is taken of numbers alone


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
    form: How a time is written (as for strptime, `%d.%m.%Y %H:%M:%S`), or a word: `epoch`, `epoch_ms`, `epoch_us`
        (since 1970), `serial` (days of a spreadsheet), `spoken` (3 Feb 2026), `clock` (1:02:03 is a duration),
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
class LongForm:
    """A file with one measured value a row, which becomes one row a reading and a column a name before all else.

    name, value: The columns that say what was measured, and what it was.
    unit: The column that says in which unit; empty: none does.
    by: The columns that tell one reading from another.
    """

    name: str
    value: str
    unit: str = ""
    by: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Mapping:
    """What a foreign file's columns mean.

    table: The contract's table that its rows become.
    separator, decimal, skip_lines, short_rows: How the text file is written; empty: found out. Where the decimal sign
        is said to be a comma, dots group thousands.
    constants: Cells that are the same in every row, by column.
    from_name: Cells that the file's name holds, by column: a pattern with one group, or with groups called year,
        month and day.
    from_folder: The same of the name of the folder that the file lies in.
    session_gap_minutes: A log pauses at least so long between two snapshots; None: a file is one snapshot.
    least_rows: Rows of a log that must count for a value before it is one; fewer leave it empty.
    long: How a file with one measured value a row is written; None: it is not of that kind.
    """

    table: str
    separator: str = ""
    decimal: str = ""
    skip_lines: int = 0
    short_rows: str = "quarantine"
    constants: dict[str, str] = field(default_factory=dict)
    from_name: dict[str, str] = field(default_factory=dict)
    from_folder: dict[str, str] = field(default_factory=dict)
    session_gap_minutes: float | None = None
    least_rows: int = 1
    long: LongForm | None = None
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
    from pipelines.intake.mapping_checks import check_mapping  # noqa: PLC0415 (it reads what a mapping is from here)

    hold_to(raw, words.MAPPING, name)
    table, file, log = raw.get("table"), raw.get("file", {}), raw.get("log", {})
    if table not in drop_tables():
        raise SettingError(
            f"{name}, table: '{table}' is none of {', '.join(drop_tables())}. Say which one the rows become."
        )
    hold_to(file, words.FILE, f"{name}, [file]")
    hold_to(log, words.LOG, f"{name}, [log]")
    if "long" in raw:
        hold_to(raw["long"], words.LONG, f"{name}, [long]", needed=("name", "value", "by"))
    mapping = Mapping(
        table=table,
        **file,
        constants={key: str(value) for key, value in raw.get("constants", {}).items()},
        from_name={key: str(value) for key, value in raw.get("from_name", {}).items()},
        from_folder={key: str(value) for key, value in raw.get("from_folder", {}).items()},
        session_gap_minutes=float(log["session_gap_minutes"]) if "session_gap_minutes" in log else None,
        least_rows=log.get("least_rows", 1),
        long=LongForm(**{**raw["long"], "by": tuple(raw["long"]["by"])}) if "long" in raw else None,
        columns=tuple(_column(entry, name) for entry in raw.get("column", [])),
    )
    check_mapping(mapping, name)
    return mapping


def mapping_text(mapping: Mapping) -> str:
    """The mapping as TOML, as `read_mapping` reads it."""
    lines = [f"table = {_toml(mapping.table)}", "", "[file]"]
    lines += [
        f"{word} = {_toml(getattr(mapping, word))}"
        for word in ("separator", "decimal", "skip_lines", "short_rows")
        if getattr(mapping, word) not in ("", 0)
    ]
    for section in ("constants", "from_name", "from_folder"):
        if cells := getattr(mapping, section):
            lines += ["", f"[{section}]", *(f"{_toml(key)} = {_toml(value)}" for key, value in cells.items())]
    log = [] if mapping.session_gap_minutes is None else [f"session_gap_minutes = {mapping.session_gap_minutes!r}"]
    log += [f"least_rows = {mapping.least_rows}"] if mapping.least_rows > 1 else []
    lines += ["", "[log]", *log] if log else []
    if mapping.long:
        said = {word: getattr(mapping.long, word) for word in ("name", "value", "unit", "by")}
        lines += ["", "[long]", *(f"{word} = {_toml(value)}" for word, value in said.items() if value)]
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


def _toml(value: object) -> str:
    """A value as TOML; its basic strings are JSON's."""
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(each) for each in value)}]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _condition_text(condition: Condition) -> str:
    said = {word: getattr(condition, word) for word in ("column", "above", "below", "equals")}
    return "{ " + ", ".join(f"{word} = {_toml(value)}" for word, value in said.items() if value is not None) + " }"
