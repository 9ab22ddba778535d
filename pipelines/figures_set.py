"""What a person may set: fields of dataclasses with unit, range and meaning; read from TOML, checked, written out."""

import json
import tomllib
from collections.abc import Mapping
from dataclasses import Field, field, fields
from pathlib import Path
from typing import Any

from pipelines.errors import SettingError

MOST = 1e6  # of any figure that names no upper end; what is above is a slip of the pen


def stands(value: Any, unit: str, meaning: str, *, least: float = 0.0, most: float = MOST) -> Any:
    """A field that stands at a value until somebody sets another.

    Args:
        value: What holds if nothing is said; its type is what may be said: a number, true or false, a text, a tuple of
            texts.
        unit: Of a number, or what else is written there.
        meaning: In a few words.
        least: Lowest value of a number.
        most: Highest value of a number.
    """
    return field(default=value, metadata={"unit": unit, "meaning": meaning, "least": least, "most": most})


def unit_of(each: "Field[Any]") -> str:
    """The unit of a field that `stands` made."""
    return str(each.metadata["unit"])


def meaning_of(each: "Field[Any]") -> str:
    """The meaning of a field that `stands` made."""
    return str(each.metadata["meaning"])


def kind_of(each: "Field[Any]") -> Any:
    """The type of what may be said."""
    return type(each.default)


def range_of(each: "Field[Any]") -> str:
    """What may be said, in words."""
    kind = kind_of(each)
    if kind is bool:
        return "true or false"
    if kind is str:
        return "a text"
    if kind is tuple:
        return "a list of texts"
    least, most = each.metadata["least"], each.metadata["most"]
    return f"{'a whole number' if kind is int else 'a number'} from {least:.10g} to {most:.10g}"


def toml_of(path: Path, begin_with: str) -> dict[str, Any]:
    """What a TOML file says.

    Args:
        path: The file.
        begin_with: Command that prints one to begin with.

    Raises:
        SettingError: it cannot be read, or is no TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        why = " ".join(str(error).split())
        raise SettingError(
            f"{path}: no readable TOML ({why}). Start from the one that `{begin_with}` prints."
        ) from error


def checked(said: Mapping[str, Any], kind: type, where: str) -> dict[str, Any]:
    """The values that a table of TOML gives to fields of a dataclass.

    Args:
        said: Of the file.
        kind: The dataclass, its fields made by `stands`.
        where: File, and section, for errors.

    Raises:
        SettingError: a name is unknown, or a value of another kind or outside its range.
    """
    known = {each.name: each for each in fields(kind)}
    values = {}
    for name, value in said.items():
        if name not in known:
            raise SettingError(f"{where}, {name}: unknown. Known: {', '.join(known)}.")
        values[name] = _one(known[name], value, f"{where}, {name}")
    return values


def lines_of(values: Any, set_here: Mapping[str, Any] | None = None) -> list[str]:
    """A line of TOML for each field of a dataclass, with its unit and meaning behind it.

    Args:
        values: The dataclass.
        set_here: What a file sets; lines of all other fields are put behind a `#`. None: no line is.
    """
    lines = []
    for each in fields(values):
        mark = "" if set_here is None or each.name in set_here else "# "
        unit = f"{unit_of(each)}: " if unit_of(each) else ""
        lines.append(f"{mark}{each.name} = {toml_text(getattr(values, each.name))}  # {unit}{meaning_of(each)}")
    return lines


def toml_text(value: Any) -> str:
    """A value as TOML has it."""
    if isinstance(value, tuple):
        return f"[{', '.join(toml_text(part) for part in value)}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)  # a text of JSON is one of TOML
    return str(value).lower()


def _one(each: "Field[Any]", value: Any, where: str) -> Any:
    kind = kind_of(each)
    unit = f" ({unit_of(each)})" if unit_of(each) else ""
    wrong = SettingError(f"{where}: {value!r} is not {range_of(each)}{unit}. Change it, or leave the line out.")
    if kind is tuple:
        if not isinstance(value, list) or not all(isinstance(part, str) for part in value):
            raise wrong
        return tuple(value)
    if kind in {bool, str}:
        if not isinstance(value, kind):
            raise wrong
        return value
    within = isinstance(value, int | float) and each.metadata["least"] <= value <= each.metadata["most"]
    if isinstance(value, bool) or not within or (kind is int and value != int(value)):
        raise wrong
    return kind(value)
