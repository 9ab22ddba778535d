"""Every word of a mapping held against what it can mean; what would be overlooked in silence is refused."""

import re
from collections import Counter
from datetime import UTC, datetime

import polars as pl

from pipelines.catalogue.names import code_refusal, printable
from pipelines.catalogue.tables import drop_tables
from pipelines.errors import SettingError
from pipelines.intake.casting import Reading
from pipelines.intake.foreign_times import foreign_times
from pipelines.intake.mapping import FORMS, HOWS, NUMBERED, SHORT_ROWS, Condition, MappedColumn, Mapping
from pipelines.intake.units import fits, is_unit

DAY_GROUPS, CLOCK_GROUPS = {"year", "month", "day"}, {"hour", "minute", "second"}
TIMES = ("time", "date")
WHOLE_DAY = pl.Series([datetime(2031, 2, 14, 8, 30, tzinfo=UTC)])


def check_mapping(mapping: Mapping, name: str) -> None:
    """Refuse a mapping that says something that no mapping can say, or that it would not do.

    Args:
        mapping: It.
        name: What messages call it.

    Raises:
        SettingError: with the place.
    """
    _check_names(mapping, name)
    if mapping.short_rows not in SHORT_ROWS:
        raise SettingError(f"{name}, short_rows: '{mapping.short_rows}' is none of {', '.join(SHORT_ROWS)}.")
    types = {column.name: (column.dtype, column.unit) for column in drop_tables()[mapping.table].columns}
    for column in mapping.columns:
        kind, unit = types.get(column.to, ("float", ""))
        place = f"{name}, column {printable(column.to)}"
        _check_how(column, kind, place)
        _check_form(column, kind, place)
        _check_unit(column, kind, unit, place)
        for condition in column.where:
            _check_condition(condition, f"{place}, where")
        if column.where and not mapping.aggregates:
            raise SettingError(f"{place}, where: counts rows of a log, and no column says `how` they become one.")
    if not mapping.aggregates and (mapping.session_gap_minutes is not None or mapping.least_rows > 1):
        raise SettingError(f"{name}, [log]: is of a log, and no column says `how` its rows become one.")
    for section, patterns in (("from_name", mapping.from_name), ("from_folder", mapping.from_folder)):
        for key, pattern in patterns.items():
            _check_pattern(pattern, f"{name}, {section}, {printable(key)}")


def _check_names(mapping: Mapping, name: str) -> None:
    """Each column that a mapping makes is one of the table's or can be a correction's name, and is made once."""
    contract = drop_tables()[mapping.table].schema
    made = [column.to for column in mapping.columns]
    fixed = [*mapping.constants, *mapping.from_name, *mapping.from_folder]
    for to in [*made, *fixed]:
        if to not in contract and (reason := code_refusal(to)):
            raise SettingError(f"{name}, {printable(to)}: {reason.split(':')[0]}. Name a column of {mapping.table}.")
        if to not in contract and mapping.table != "snapshots" and not to.startswith("ff_"):
            raise SettingError(
                f"{name}, {printable(to)}: is no column of {mapping.table} ({', '.join(contract)}). Check the spelling."
            )
    elapsed = {column.to for column in mapping.columns if column.form == "elapsed"}  # counts from the constant
    every = [*made, *(to for to in fixed if to not in elapsed)]
    twice = [to for to, times in Counter(to.casefold() for to in every).items() if times > 1]
    if twice:
        raise SettingError(f"{name}, column {printable(twice[0])}: is made twice, whatever the case. Leave one out.")


def _check_how(column: MappedColumn, kind: str, place: str) -> None:
    if column.how and column.how not in HOWS:
        raise SettingError(f"{place}, how: '{column.how}' is none of {', '.join(HOWS)}.")
    if column.how in NUMBERED and kind not in ("float", "int"):
        raise SettingError(f"{place}, how: the {column.how} is taken of numbers, and this is none. Say first or last.")


def _check_form(column: MappedColumn, kind: str, place: str) -> None:
    if (column.true or column.false) and kind != "bool":
        raise SettingError(f"{place}: `true` and `false` are of columns that say yes or no, and this is none.")
    if column.form not in FORMS and "%" not in column.form:
        raise SettingError(
            f"{place}, form: '{printable(column.form)}' is neither {', '.join(FORMS[1:])}, nor a form such as %d.%m.%Y."
        )
    if column.form == "clock" and kind != "float":
        raise SettingError(f"{place}, form: clock is a duration, and this is no number. Say elapsed for a time.")
    if column.form not in ("", "clock") and kind not in TIMES:
        raise SettingError(f"{place}, form: '{printable(column.form)}' is of times, and this is none. Leave it out.")
    if "%" in column.form and not _reads_what_it_writes(column.form):
        raise SettingError(
            f"{place}, form: '{printable(column.form)}' is no form of a time. Write %d.%m.%Y %H:%M or the like."
        )


def _reads_what_it_writes(form: str) -> bool:
    """Whether a form holds a day, in words that are known."""
    try:
        written = WHOLE_DAY.dt.strftime(form)
        return foreign_times(written, form, Reading()).str.contains("^2031-02-14").fill_null(value=False).all()
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException):
        return False


def _check_unit(column: MappedColumn, kind: str, unit: str, place: str) -> None:
    if not column.unit:
        return
    if column.form == "elapsed":
        unit = "s"
    elif kind not in ("float", "int"):
        raise SettingError(f"{place}, unit: is of numbers, and this is none. Leave it out.")
    if not is_unit(column.unit):
        raise SettingError(f"{place}, unit: '{printable(column.unit)}' is no unit that is known. Write kPa, degF, km.")
    if unit and not fits(column.unit, unit):
        raise SettingError(
            f"{place}, unit: '{printable(column.unit)}' cannot become '{unit}': they measure different things."
        )


def _check_condition(condition: Condition, place: str) -> None:
    above, below = condition.above, condition.below
    if above is None and below is None and condition.equals is None:
        raise SettingError(f"{place}: says nothing of '{printable(condition.column)}'. Say above, below or equals.")
    if above is not None and below is not None and above >= below:
        raise SettingError(f"{place}: nothing lies above {above:g} and below {below:g}. Change one.")


def _check_pattern(pattern: str, place: str) -> None:
    try:
        compiled = re.compile(pattern)
    except re.error as error:
        raise SettingError(f"{place}: {error}. Write a pattern with one group.") from error
    if compiled.groups != 1 and not DAY_GROUPS <= set(compiled.groupindex) <= (
        DAY_GROUPS | CLOCK_GROUPS
    ):  # fmt: skip
        raise SettingError(
            f"{place}: has {compiled.groups} groups. Write a pattern with one group, or with year, month and day."
        )
