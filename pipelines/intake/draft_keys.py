"""Key columns that a file's rows do not hold: taken from the names of file and folder, or asked of a person."""

import re
from collections.abc import Mapping as Answers
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import polars as pl

from pipelines.catalogue.tables import Column, drop_tables
from pipelines.intake.casting import Reading, cast
from pipelines.intake.draft_places import Told, day_in, said_of_any, vehicle_in
from pipelines.intake.files import SourceFile
from pipelines.intake.mapping import Mapping
from pipelines.undated import ANSWERS as UNDATED

BY_FOLDER = "folder"  # the answer that each file's folder is called after its vehicle
ANY_FOLDER = "^(.+)$"  # never kept: the next file of this shape may lie anywhere
NOT_ASKED = {"component"}  # keys that may be empty


@dataclass(frozen=True, kw_only=True)
class Question:
    """What only a person can say: under which key the answer goes, and what can be answered (empty: any text)."""

    key: str
    text: str
    options: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Keys:
    """A mapping that makes all key columns, or what must be answered before it does, and what was taken for granted."""

    mapping: Mapping
    questions: list[Question] = field(default_factory=list)
    said: list[str] = field(default_factory=list)


def with_keys(mapping: Mapping, file: SourceFile, answers: Answers[str, str], *, whole_days: bool = True) -> Keys:
    """The mapping with the key columns that neither its columns nor its patterns make.

    Args:
        mapping: It.
        file: That it is for.
        answers: Given so far, by column.
        whole_days: Whether of a time in a file's name the day alone counts, since each row has its time of day.
    """
    stem = file.path.name.split(".")[0]
    mapping = replace(
        mapping,
        from_name={to: form for to, form in mapping.from_name.items() if re.search(form, file.name)},
        from_folder={to: form for to, form in mapping.from_folder.items() if re.search(form, file.drop)},
    )
    keys = Keys(mapping=mapping)
    elapsed = {column.to for column in mapping.columns if column.form == "elapsed"}
    made = {column.to for column in mapping.columns} - elapsed | {
        *mapping.constants, *mapping.from_name, *mapping.from_folder
    }  # fmt: skip
    for column in drop_tables()[mapping.table].columns:
        if column.key and column.name not in made and column.name not in NOT_ASKED:
            told = day_in(stem, with_clock=not whole_days) if column.dtype == "time" else None
            keys = _with_key(keys, column, file, stem, answers, told=told, since=column.name in elapsed)
    return keys


def _with_key(
    keys: Keys, column: Column, file: SourceFile, stem: str, answers: Answers[str, str], *, told: Told | None,
    since: bool,
) -> Keys:  # fmt: skip
    name, mapping = column.name, keys.mapping
    answer = answers.get(name)
    if answer and column.dtype == "time" and cast(pl.Series([answer]), "time", Reading()).null_count():
        question = Question(key=name, text=f"'{answer}' is no time. When was it? (2031-02-14 or 2031-02-14T08:30)")
        return replace(keys, questions=[*keys.questions, question])
    if answer == BY_FOLDER and name == "vehicle_id":
        return _told(keys, name, Told(pattern=ANY_FOLDER, value=file.drop), "The vehicle", "folder")
    if answer:
        return replace(keys, mapping=replace(mapping, constants={**mapping.constants, name: answer}))
    if column.dtype == "time":
        place, question = "file", _when(name, file, since=since)
    elif name == "vehicle_id":
        told, place = vehicle_in(stem), "file"
        if told is None:
            told, place = vehicle_in(file.drop), "folder"
        question = Question(
            key=name,
            text="No column is known to name the vehicle. Which one is it (its number, or the column that says it)?",
            options=()
            if said_of_any(file.drop)
            else ((BY_FOLDER, f"every folder is called after its vehicle, this one is {file.drop}"),),
        )
    else:
        what = f"No column is the {name} that {mapping.table} must have. What is it in every row?"
        place, question = "", Question(key=name, text=what)
    if told is None:
        return replace(keys, questions=[*keys.questions, question])
    return _told(keys, name, told, "The day" if column.dtype == "time" else "The vehicle", place)


def _told(keys: Keys, name: str, told: Told, what: str, place: str) -> Keys:
    mapping = keys.mapping
    if place == "file":
        mapping = replace(mapping, from_name={**mapping.from_name, name: told.pattern})
    else:
        mapping = replace(mapping, from_folder={**mapping.from_folder, name: told.pattern})
    return replace(keys, mapping=mapping, said=[*keys.said, f"{what} is {told.value}, as the {place}'s name says."])


def _when(name: str, file: SourceFile, *, since: bool) -> Question:
    seconds = file.path.stat().st_mtime
    changed = datetime.fromtimestamp(seconds, tz=UTC).strftime("%Y-%m-%dT%H:%MZ")
    written = ((changed, "all of it when the file was last written"),) if seconds else ()  # of an upload nobody knows
    what = "When did this log begin?" if since else (
        "Neither a column nor the file's name says when it was read. When was it?"
    )  # fmt: skip
    unknown = tuple(UNDATED.items()) if name == "read_at" else ()
    return Question(
        key=name, text=f"{what} (one day or time for all rows, such as 2031-02-14 or 2031-02-14T08:30)",
        options=(*written, *unknown),
    )  # fmt: skip
