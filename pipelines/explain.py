"""What a table, a column, a unit, a state or a figure means, as lines, out of the data that the product ships."""

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files

from pipelines.bands.built_in import ENOUGH_PEERS, normal_share
from pipelines.bands.normal import LEAST_SETTLED
from pipelines.catalogue.corrections import built_in_components, built_in_corrections
from pipelines.catalogue.tables import Column, Table, drop_tables, published_tables
from pipelines.causes.knowledge import Cause, causes
from pipelines.errors import SettingError
from pipelines.settings_file import settings_explained

TYPES = {"text": "text", "int": "whole number", "float": "number", "bool": "yes or no", "date": "date", "time": "time"}


@dataclass(frozen=True, kw_only=True)
class Topic:
    """One word of the glossary."""

    name: str
    title: str
    like: tuple[str, ...]
    text: str


@cache
def topics() -> dict[str, Topic]:
    """The glossary, by name, in its order."""
    raw = tomllib.loads(files("pipelines.catalogue").joinpath("glossary.toml").read_text(encoding="utf-8"))
    return {
        name: Topic(name=name, title=entry["title"], like=tuple(entry["like"]), text=entry["text"].strip("\n"))
        for name, entry in raw.items()
    }


def overview() -> list[str]:
    """What can be explained."""
    width = max(len(name) for name in topics())
    return [
        "leeway explain WORD says what a word means. Words are:",
        "",
        *(f"  {topic.name:{width}}  {topic.title}" for topic in topics().values()),
        "",
        f"the tables of a drop: {', '.join(drop_tables())};",
        f"the published tables: {', '.join(published_tables())};",
        "any column of them (odometer_km, snapshots.lamp_on), any correction (ltft_b1), any cause, any component.",
    ]


def explained(word: str) -> list[str]:
    """What a word means, in lines; all that it means, where it means several things.

    Args:
        word: A topic, table, column (also `table.column`), correction, cause or component; case does not matter.

    Raises:
        SettingError: it is none.
    """
    plain = word.strip().casefold().replace(" ", "_")
    found = [part for parts in (_topic(plain), _tables(plain), _columns(plain), _knowledge(plain)) for part in parts]
    if not found:
        near = get_close_matches(plain, sorted(_words()), n=4)
        hint = f" Near it: {', '.join(near)}." if near else ""
        raise SettingError(f"explain: '{word}' is not known.{hint} leeway explain lists all words.")
    lines: list[str] = []
    for part in found:
        lines += ["", *part] if lines else part
    return lines


@cache
def column_help() -> dict[str, str]:
    """What published columns mean, by name, of those that mean one thing wherever they stand."""
    said: dict[str, set[str]] = {}
    for table in published_tables().values():
        for column in table.columns:
            said.setdefault(column.name, set()).add(column.meaning.replace("|", ", "))
    one = {name: next(iter(meanings)) for name, meanings in said.items() if len(meanings) == 1}
    return {name: f"{words[:1].upper()}{words[1:]}." for name, words in one.items() if words}


@cache
def meaning(word: str) -> str:
    """What a word means, in a line, without the word itself."""
    first = explained(word)[0]
    return first.partition(": ")[2] or first


def words() -> list[str]:
    """All words that are explained, topics first, then the rest in order."""
    return [*topics(), *sorted(_words() - set(topics()))]


def answer_help(key: str, table: str) -> list[str]:
    """What is asked for where a file leaves a question open, in lines; none: the question says it all.

    Args:
        key: Of the question: a column of the table, or what else is asked.
        table: That the file's rows become.
    """
    if key == "day_first" or key.startswith("unit of") or key == "fractions":
        return explained("units") if key != "day_first" else []
    tables = drop_tables()
    column = key if key in tables[table].schema else ""
    return (
        explained(f"{table}.{column}")[:1] + (explained("family") if key == "engine_family" else []) if column else []
    )


def _words() -> set[str]:
    words = {name.replace(" ", "_") for topic in topics().values() for name in (topic.name, *topic.like)}
    for table in (*drop_tables().values(), *published_tables().values()):
        words |= {table.name, *(column.name for column in table.columns)}
    return words | set(built_in_corrections()["code"]) | set(causes()) | set(built_in_components()["component"])


def _topic(plain: str) -> Iterator[list[str]]:
    for topic in topics().values():
        if plain == topic.name or plain in (each.replace(" ", "_") for each in topic.like):
            yield [f"{topic.name}: {topic.title}", "", *_filled(topic.text).splitlines()]


def _filled(text: str) -> str:
    corrections = built_in_corrections()
    published = "\n".join(f"  {name}: one row per {', '.join(table.key)}" for name, table in published_tables().items())
    values = {
        "tables": ", ".join(drop_tables()), "published": published, "settled": str(LEAST_SETTLED),
        "peers": str(ENOUGH_PEERS), "share": f"{100 * normal_share(''):g}",
        "settings": "\n".join(settings_explained()),
        "count": str(corrections.height), "codes": ", ".join(corrections["code"]), "causes": ", ".join(causes()),
    }  # fmt: skip
    for name, value in values.items():
        text = text.replace("{" + name + "}", value)
    return text


def _tables(plain: str) -> Iterator[list[str]]:
    for kind, tables in (("a drop", drop_tables()), ("an analysis", published_tables())):
        if plain in tables:
            yield _table(tables[plain], kind)


def _table(table: Table, kind: str) -> list[str]:
    width = max(len(column.name) for column in table.columns)
    lines = [f"{table.name}: a table of {kind}; one row per {', '.join(table.key)}", ""]
    lines += [f"  {column.name:{width}}  {_said(column)}" for column in table.columns]
    if table.name == "snapshots":
        lines += ["", "and one column per correction, called by its code: leeway explain correction"]
    return lines


def _said(column: Column) -> str:
    unit = f", {column.unit}" if column.unit and column.unit != "1" else ", share of one" if column.unit else ""
    needed = "" if not column.required else ", must be there"
    low, high = column.low, column.high
    between = f"{low:g} to {high:g}" if low is not None and high is not None else ""
    within = between or (f"not below {low:g}" if low is not None else f"not above {high:g}" if high is not None else "")
    usual = (
        f"; usually {column.usual_low:g} to {column.usual_high:g}"
        if column.usual_low is not None and column.usual_high is not None else ""
    )  # fmt: skip
    meaning = column.meaning.replace("|", ", ")
    return "".join([
        TYPES[column.dtype], unit, needed, f"; {meaning}" if meaning else "", f"; {within}" if within else "", usual,
    ])  # fmt: skip


def _columns(plain: str) -> Iterator[list[str]]:
    table_name, _, name = plain.rpartition(".")
    for kind, tables in (("drop", drop_tables()), ("published", published_tables())):
        for table in tables.values():
            if table_name in ("", table.name):
                found = [column for column in table.columns if column.name == name]
                yield from ([f"{table.name}.{column.name} ({kind}): {_said(column)}"] for column in found)


def _knowledge(plain: str) -> Iterator[list[str]]:
    corrections = built_in_corrections()
    for row in corrections.filter(corrections["code"] == plain).iter_rows(named=True):
        low, high, step = row["low_limit"], row["high_limit"], row["resolution"]
        codes = [f"{row[side].replace('|', ', ')} at its {end} limit" for side, end in (
            ("fault_high", "upper"), ("fault_low", "lower"),
        ) if row[side]]  # fmt: skip
        yield [
            f"{row['code']}: {row['title']}, {row['unit']}",
            f"  {row['neutral']:g} after a reset, {low:g} to {high:g}, in steps of {step:g}",
            f"  rising: {row['rising_means']}; falling: {row['falling_means']}",
            f"  sets {'; '.join(codes)}" if codes else "  sets no code",
            f"  learned: {row['learn_when']}",
        ]
    if plain in causes():
        yield _cause(causes()[plain])
    components = built_in_components()
    for row in components.filter(components["component"] == plain).iter_rows(named=True):
        yield [f"{row['component']}: a component; {row['title']}"]


def _cause(cause: Cause) -> list[str]:
    looks = [f"  unlike {other}: {how}" for other, how in cause.apart.items()]
    checks = [f"  {number}. {check}" for number, check in enumerate(cause.checks, start=1)]
    return [f"{cause.id}: {cause.title}", *checks, *looks, *(f"  Caution: {each.text}" for each in cause.cautions)]
