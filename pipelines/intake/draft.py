"""Drafts a mapping from a foreign file, with the questions that only a person can answer, and shows what it makes.

A draft says what it took for granted. It leaves a column alone rather than guess: names, units and cells must agree.
"""

import re
from collections.abc import Mapping as Answers
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.errors import DropError
from pipelines.intake.blocks import BOOKKEEPING, CELLS
from pipelines.intake.casting import Reading, cast, is_empty
from pipelines.intake.draft_cells import Target, targets
from pipelines.intake.draft_clocks import with_clock
from pipelines.intake.draft_columns import Found, decimal_sign, find_columns
from pipelines.intake.draft_keys import Question, with_keys
from pipelines.intake.draft_lists import family_question, is_vehicle_list, with_dates
from pipelines.intake.draft_logs import (
    LEAST_ROWS,
    SESSION_GAP_MINUTES,
    is_log,
    log_columns,
    with_what_they_rest_on,
)
from pipelines.intake.draft_long import long_form
from pipelines.intake.draft_times import NUMBERS, TimeForm, begins_at_zero, goes_on, is_day, time_form
from pipelines.intake.files import SourceFile, foreign_files
from pipelines.intake.mapped import foreign_cells, made_of, units_of
from pipelines.intake.mapping import LongForm, MappedColumn, Mapping

PREVIEW_ROWS = 20
MOST_TITLE_LINES = 12  # before a header; judgement
LOOKED_AT = 5_000  # rows from which a draft is made
AMERICAN = {"degF", "°F", "inHg", "mph"}  # units that stand beside dates whose month comes first
FAULT_CODE = r"^[PCBU][0-9A-F]{4}(-[0-9A-F]{2})?$"


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A mapping, what is still to be answered before it is one, and what was taken for granted."""

    mapping: Mapping
    questions: tuple[Question, ...]
    said: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Opened:
    """A file's first rows below its header, and how it is written.

    comma: A comma in its numbers is the decimal sign.
    """

    mapping: Mapping
    file: SourceFile
    cells: pl.DataFrame
    comma: bool


@dataclass(frozen=True, kw_only=True)
class Preview:
    """What a mapping makes of a file.

    columns: One row per mapped column: to, source, example (the first cell), unit (in the file), becomes, store_unit.
    rows: The first rows as the contract's table.
    unmapped: Names of the file's columns that nothing is made of.
    """

    columns: pl.DataFrame
    rows: pl.DataFrame
    unmapped: tuple[str, ...]

    def lines(self) -> list[str]:
        """The same for people: a line per column, then the columns that nothing is made of."""
        lines = [
            f"{row['to']}: from '{row['source']}', whose first cell '{row['example']}' becomes {row['becomes']} "
            f"{row['store_unit'] or ''}".rstrip()
            for row in self.columns.iter_rows(named=True)
        ]
        return lines + ([f"Nothing is made of: {', '.join(self.unmapped)}."] if self.unmapped else [])


def draft_mapping(
    path: Path, catalogue: pl.DataFrame, *, table: str = "", answers: Answers[str, str] | None = None
) -> Draft:
    """A first guess at a mapping: columns by their headers, units and cells, the form of times, the rules of a log.

    Args:
        path: The foreign file.
        catalogue: Corrections of the fleet: code, title, unit, limits, resolution.
        table: The contract's table that the rows are to become; empty: found out.
        answers: To the questions of an earlier draft, by their keys.

    Raises:
        DropError: the file cannot be read.
    """
    found = opened(path, table)
    if not table and any(_holds_codes(found.cells[name]) for name in found.cells.columns if name not in BOOKKEEPING):
        found = replace(found, mapping=replace(found.mapping, table="faults"))
    elif not table and is_vehicle_list(found.cells, catalogue):
        found = replace(found, mapping=replace(found.mapping, table="vehicles"))
    decimal = decimal_sign(found.cells, comma=found.comma)
    found = replace(found, mapping=replace(found.mapping, decimal=decimal))
    drafting = _Drafting(
        opened=found, catalogue=catalogue, answers=dict(answers or {}),
        how=Reading(decimal_comma=found.comma or decimal == ",", dots_group=decimal == ","),
        known=targets(found.mapping.table, catalogue),
    )  # fmt: skip
    return drafting.draft()


@dataclass(kw_only=True)
class _Drafting:
    """One draft under way."""

    opened: Opened
    catalogue: pl.DataFrame
    answers: dict[str, str]
    how: Reading
    known: dict[str, Target]
    said: list[str] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    by_clock: bool = False  # its times are those of a day

    def __post_init__(self) -> None:
        keys = [column for column in drop_tables()[self.opened.mapping.table].columns if column.key]
        self.time_key = next((column.name for column in keys if column.dtype == "time"), "")
        self.mapping, self.file = self.opened.mapping, self.opened.file
        self.cells, self.comma = self.opened.cells, self.opened.comma
        self.found = self._columns()
        self._widen()
        self.said += self.found.said

    def draft(self) -> Draft:
        """The mapping as far as it can be said, and what is open."""
        columns = [self._asked_unit(column) for column in self.found.columns]
        times = self._times()
        if times:
            columns.insert(0, times)
        columns += self._codes({column.to for column in columns})
        if self.mapping.table == "vehicles":
            columns = self._of_list(columns)
        vehicle = self.answers.get("vehicle_id", "")
        if vehicle in self.cells.columns and all(column.to != "vehicle_id" for column in columns):
            columns.append(MappedColumn(to="vehicle_id", source=vehicle))
        given = {key: answer for key, answer in self.answers.items() if answer not in self.cells.columns}
        if self.by_clock and (dated := re.match(r"(\d{4}-\d{2}-\d{2})T", given.get(self.time_key, ""))):
            given[self.time_key] = dated[1]  # each row says its time of day
        keys = with_keys(replace(self.mapping, columns=tuple(columns)), self.file, given, whole_days=self.by_clock)
        self.mapping = keys.mapping
        self.questions += [self._with_columns(question) for question in keys.questions]
        self.said += keys.said
        if self.mapping.table == "snapshots" and not any(self.known[c.to].kind == "correction" for c in columns):
            self.said.append("No column is a correction that is known: of these readings nothing can be learned yet.")
        self._clock(times)
        self._log(times)
        return Draft(mapping=self.mapping, questions=tuple(self.questions), said=tuple(self.said))

    def _clock(self, times: MappedColumn | None) -> None:
        """The module's own clock, as the values bear it out or a person names it."""
        if self.mapping.table == "snapshots":
            rows = self._rows(times) if times else None
            named = self.answers.get("ignition_hours", "")
            columns, said = with_clock(self.mapping.columns, self.cells, rows, self.how, named)
            self.mapping = replace(self.mapping, columns=columns)
            self.said += said

    def _codes(self, made: set[str]) -> list[MappedColumn]:
        """Of a table of faults, the column whose cells are trouble codes, whatever its header says."""
        if self.mapping.table != "faults" or "code" in made:
            return []
        found = [name for name in self.cells.columns if name not in BOOKKEEPING and _holds_codes(self.cells[name])]
        return [MappedColumn(to="code", source=name) for name in found[:1]]

    def _of_list(self, columns: list[MappedColumn]) -> list[MappedColumn]:
        """Of a list of vehicles: the day each began its service, and its engine family, which may have to be asked."""
        columns = with_dates(columns, self.cells)
        answer = self.answers.get("engine_family", "")
        if any(column.to == "engine_family" for column in columns):
            return columns
        if answer in self.cells.columns:
            return [*columns, MappedColumn(to="engine_family", source=answer)]
        if answer:
            self.mapping = replace(self.mapping, constants={**self.mapping.constants, "engine_family": answer})
        else:
            self.questions.append(family_question(self.cells, self.found))
        return columns

    def _with_columns(self, question: Question) -> Question:
        """A question for a time with the columns that nothing is made of and that hold times, as answers."""
        if question.key != self.time_key:
            return question
        named = [(name, f"the column '{name}' says it") for name in self._unnamed_times()]
        return replace(question, options=(*named, *question.options))

    def _unnamed_times(self) -> list[str]:
        """Columns of text whose cells are all days or times, whatever their headers say."""
        texts = [name for name in self.cells.columns if name not in BOOKKEEPING and self.cells[name].dtype == pl.String]
        forms = {name: time_form(self.cells[name]) for name in texts}
        return [
            name for name, form in forms.items() if form and form.kind in ("full", "day") and form.form not in NUMBERS
        ]  # fmt: skip

    def _columns(self) -> Found:
        return find_columns(self.cells, self.known, self.catalogue, self.mapping.table, self.how)

    def _widen(self) -> None:
        """A file with one measured value a row becomes one row a reading."""
        if self.mapping.table != "snapshots":
            return
        form = long_form(self.cells, self.found, self.known, self.catalogue, self.how, answers=self.answers)
        if isinstance(form, Question):
            self.questions.append(form)
        if not isinstance(form, LongForm):
            return
        by = [column.source for column in self.found.columns if column.to == "vehicle_id"]
        by += [name for name, unit in self.found.times.items() if time_form(self.cells[name], unit)]
        by += [name for name in self._unnamed_times() if name not in by]
        self.mapping = replace(self.mapping, long=replace(form, by=tuple(by)))
        self.cells, _ = foreign_cells(self.file, self.mapping, most_rows=LOOKED_AT)
        self.found = self._columns()

    def _asked_unit(self, column: MappedColumn) -> MappedColumn:
        """A column whose unit was read off its values alone, as a person says."""
        if column.source not in self.found.assumed:
            return column
        own = self.known[column.to].unit
        fractions = column.unit == "1" and own == "%"
        key = "fractions" if fractions else f"unit of {column.source}"
        answer = self.answers.get(key)
        if answer is None and any(question.key == key for question in self.questions):
            return column
        if answer is None:
            said = "fractions of one (0.05 is 5 %)" if column.unit == "1" else column.unit
            self.questions.append(Question(
                key=key, text=f"'{column.source}' says no unit, and its values look like {said}. Which is it?",
                options=((column.unit, said), (own, f"{own}, as it stands")),
            ))  # fmt: skip
            return column
        return replace(column, unit="" if answer == own else answer)

    def _times(self) -> MappedColumn | None:
        """The column of times, with the time of day from another where they stand apart."""
        named = self.answers.get(self.time_key, "")
        units = self.found.times or self.found.seconds
        if named in self.cells.columns:
            units = {named: "", **(self.found.times if is_day(self.cells[named]) else {})}
        forms = {name: form for name, unit in units.items() if (form := time_form(self.cells[name], unit))}
        to = self.time_key
        by_kind: dict[str, list[str]] = {}
        for name, form in forms.items():
            by_kind.setdefault(form.kind, []).append(name)
        if not to or not forms:
            return None
        clocks = by_kind.get("clock", [])
        sure = clocks and goes_on(self.cells[clocks[0]])  # of its day, which elapsed seconds leave open
        order = ("full", "day", "clock", "elapsed") if sure else ("full", "day", "elapsed", "clock")
        kind = next(kind for kind in order if kind in by_kind)
        name = by_kind[kind][0]
        form, self.by_clock = forms[name], kind == "clock" and not begins_at_zero(self.cells[name])
        if kind == "day" and clocks and form.form not in ("serial", "spoken"):
            self._note_second(by_kind, name)
            return self._day_and_clock(to, name, form, clocks[0], forms[clocks[0]])
        if kind in ("elapsed", "clock"):
            unit = units[name]
            return MappedColumn(to=to, source=name, form="elapsed", unit="" if unit in ("", "s") else unit)
        self._note_second(by_kind, name)
        return MappedColumn(to=to, source=name, form=self._day_first(name, form))

    def _note_second(self, by_kind: dict[str, list[str]], name: str) -> None:
        if others := [each for each in [*by_kind.get("full", []), *by_kind.get("day", [])] if each != name]:
            self.said.append(f"The time is taken from '{name}', not from {', '.join(others)}.")

    def _day_and_clock(self, to: str, day: str, form: TimeForm, clock: str, clock_form: TimeForm) -> MappedColumn:
        first = self._day_first(day, form) or "%Y-%m-%d"
        whole = f"{first} {clock_form.form or '%H:%M:%S'}"
        return MappedColumn(to=to, source=day, also=(clock,), form=whole)

    def _day_first(self, name: str, form: TimeForm) -> str:
        """The form of a day, where day and month can change places as language, units or a person say."""
        if not form.other:
            return form.form
        if self.found.languages and "en" not in self.found.languages:
            return form.form
        if self.found.units & AMERICAN or "%p" in form.form:
            self.said.append(f"'{name}' is read as month/day, as beside such units or hours.")
            return form.other
        answer = self.answers.get("day_first")
        if answer is None:
            example = str(self.cells[name].drop_nulls().first())
            self.questions.append(Question(
                key="day_first", text=f"Is '{example}' in '{name}' day first or month first?",
                options=(("day", "day first"), ("month", "month first")),
            ))  # fmt: skip
        return form.other if answer == "month" else form.form

    def _log(self, times: MappedColumn | None) -> None:
        """Where rows follow each other within seconds, the rules by which they become one reading."""
        if self.mapping.table != "snapshots":
            return
        if times:
            rows = self._rows(times)
            if rows is None or not is_log(rows["at"], rows["of"]):
                return
        elif "~rpm" not in self.found.roles or self.cells.height < LEAST_ROWS:
            return
        codes = {name for name, target in self.known.items() if target.kind == "correction"}
        columns, said = log_columns(list(self.mapping.columns), self.found.roles, self.cells, self.how, codes)
        self.said += said
        self.mapping = replace(
            self.mapping, columns=tuple(columns), session_gap_minutes=SESSION_GAP_MINUTES, least_rows=LEAST_ROWS
        )

    def _rows(self, times: MappedColumn) -> pl.DataFrame | None:
        """Time and vehicle of each row, on any day where the file names none."""
        named = [column for column in self.mapping.columns if column.to in (times.to, "vehicle_id")]
        probe = replace(
            self.mapping, columns=tuple(named), constants={times.to: "2000-01-01"} if times.form == "elapsed" else {},
            from_name={}, from_folder={},
        )  # fmt: skip
        try:
            rows = made_of(
                self.cells, self.file, probe, units=units_of(probe.table, self.catalogue), decimal_comma=self.comma,
                time_zone="UTC",
            )  # fmt: skip
        except DropError:
            return None
        of = rows["vehicle_id"].cast(pl.String) if "vehicle_id" in rows.columns else pl.lit("")
        return rows.select(at=cast(rows[times.to], "time", Reading()), of=of)


def preview_mapping(path: Path, mapping: Mapping, catalogue: pl.DataFrame, *, time_zone: str = "UTC") -> Preview:
    """What a mapping makes of the file's first rows.

    Raises:
        DropError: the file cannot be read, lacks a column of the mapping, or has cells that its units do not fit.
    """
    file = foreign_files([path], mapping.table)[0]
    cells, decimal_comma = foreign_cells(file, mapping, most_rows=None if mapping.aggregates else LOOKED_AT)
    units = units_of(mapping.table, catalogue)
    head = cells if mapping.aggregates else cells.head(PREVIEW_ROWS)
    rows = made_of(head, file, mapping, units=units, decimal_comma=decimal_comma, time_zone=time_zone)
    examples = [_example(cells[column.source]) for column in mapping.columns]
    columns = pl.DataFrame({
        "to": [column.to for column in mapping.columns], "source": [column.source for column in mapping.columns],
        "example": examples, "unit": [column.unit for column in mapping.columns],
        "becomes": [_example(rows[column.to]) for column in mapping.columns],
        "store_unit": [units.get(column.to, "") for column in mapping.columns],
    })  # fmt: skip
    used = {name for column in mapping.columns for name in (column.source, *column.also)}
    used |= {condition.column for column in mapping.columns for condition in column.where}
    unmapped = tuple(name for name in cells.columns if name not in used and name not in BOOKKEEPING)
    shown = with_what_they_rest_on(rows.drop("row_number").head(PREVIEW_ROWS))
    return Preview(columns=columns, rows=shown, unmapped=unmapped)


def opened(path: Path, table: str) -> Opened:
    """The file's cells below its header, which is the first row that most columns have a name in."""
    mapping = Mapping(table=table or "snapshots", short_rows="pad_end")
    [file] = foreign_files([path], mapping.table)
    cells, comma = foreign_cells(file, mapping, most_rows=LOOKED_AT)
    for lines in range(1, MOST_TITLE_LINES + 1):
        if not _titled(cells):
            break
        try:
            mapping = replace(mapping, skip_lines=lines)
            cells, comma = foreign_cells(file, mapping, most_rows=LOOKED_AT)
        except DropError:
            break
    else:
        mapping = replace(mapping, skip_lines=0)
        cells, comma = foreign_cells(file, mapping, most_rows=LOOKED_AT)
    return Opened(mapping=mapping, file=file, cells=cells.head(LOOKED_AT), comma=comma)


def _titled(cells: pl.DataFrame) -> bool:
    """Whether what stands as the header is a title above it: most columns have no name, or rows are wider than it."""
    names = [name for name in cells.columns if name not in BOOKKEEPING]
    nameless = sum(name == f"column {number}" for number, name in enumerate(names, start=1))
    wider = cells[CELLS].drop_nulls()
    return nameless > len(names) / 2 or len(wider.filter(wider > len(names))) > cells.height / 2


def _holds_codes(cells: pl.Series) -> bool:
    filled = cells.filter(~is_empty(cells, "float")) if cells.dtype == pl.String else cells.clear()
    return len(filled) > 0 and bool(filled.str.strip_chars().str.contains(FAULT_CODE).all())


def _example(cells: pl.Series) -> str:
    filled = cells.cast(pl.String).drop_nulls()
    filled = filled.filter(filled.str.strip_chars() != "")
    return filled[0] if len(filled) else ""
