"""Cells of a foreign file -> cells of a contract table, by a mapping: names, units, times, flags, logs to snapshots.

What cannot be read stays as it came, so that the checks quarantine it with its reason.
"""

import re
from functools import reduce

import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.days import DATE
from pipelines.errors import DropError
from pipelines.intake.blocks import BOOKKEEPING, ROW
from pipelines.intake.casting import Reading, cast, is_empty
from pipelines.intake.draft_places import time_of
from pipelines.intake.foreign_times import foreign_times
from pipelines.intake.mapping import Condition, MappedColumn, Mapping
from pipelines.intake.units import convert, fits

# Beside a value that rests on rows of a log: their number, and the tenth and the ninetieth of a hundred of them.
ROWS_OF, LEAST_OF, MOST_OF = " rows", " least", " most"
NUMBER_AND_UNIT = r"^\s*([-+\u2212]?[\d.,\u00a0 ]*\d(?:[eE][-+]?\d+)?)\s*([^\d\s].*?)?\s*$"
CLOCK = r"^\s*(?:(\d+|\d{1,3}(?:[., '\u00a0\u202f]\d{3})+):)?(\d{1,3}):(\d{1,2}(?:[.,]\d+)?)\s*$"


def map_cells(
    cells: pl.DataFrame,
    mapping: Mapping,
    *,
    units: dict[str, str],
    file: str,
    folder: str = "",
    decimal_comma: bool,
    time_zone: str,
) -> pl.DataFrame:
    """The cells of a contract table that a foreign file's cells stand for.

    Args:
        cells: One text column per column of the file, with row_number.
        mapping: What they mean.
        units: Unit of each column of the contract and the catalogue, by name.
        file: The file's name, for its constants and for messages.
        folder: Name of the folder it lies in, for its constants.
        decimal_comma: Whether '1,234' is 1.234 in this file.
        time_zone: Zone of times without an offset.

    Returns:
        One row per row of the file, or one per snapshot where the mapping aggregates; with row_number (of the first).

    Raises:
        DropError: the file lacks a column of the mapping, or its name does not hold what it should.
    """
    comma = {",": True, ".": False}.get(mapping.decimal, decimal_comma)
    how = Reading(time_zone=time_zone, decimal_comma=comma, dots_group=mapping.decimal == ",")
    constants = _constants(mapping, file, folder)
    _require(cells, mapping, file)
    columns = {
        column.to: _mapped(_source(cells, column), column, units=units, how=how, constants=constants)
        for column in mapping.columns
    }
    columns |= _on_their_days(columns, [name for name in constants if _is_clock(name, cells, mapping, constants)])
    if mapping.aggregates:
        return _snapshots(cells, columns, mapping, constants, how)
    fixed = [pl.lit(value).alias(name) for name, value in constants.items() if name not in columns]
    return pl.DataFrame([values.alias(name) for name, values in columns.items()] + [cells[ROW]]).with_columns(*fixed)


def _constants(mapping: Mapping, file: str, folder: str) -> dict[str, str]:
    constants = dict(mapping.constants)
    for column, pattern in (*mapping.from_name.items(), *mapping.from_folder.items()):
        place, name = ("name", file) if column in mapping.from_name else ("folder's name", folder)
        found = re.search(pattern, name)
        if not found:
            raise DropError(
                f"{file}: its {place} does not hold {column} ('{pattern}'). Rename it, or change from_name."
            )
        constants[column] = found[1] if found.re.groups == 1 else time_of(found)
    return constants


def _require(cells: pl.DataFrame, mapping: Mapping, file: str) -> None:
    wanted = {name for column in mapping.columns for name in (column.source, *column.also)}
    wanted |= {condition.column for column in mapping.columns for condition in column.where}
    if lacking := sorted(wanted - set(cells.columns)):
        found = ", ".join(name for name in cells.columns[:12] if name not in BOOKKEEPING)
        raise DropError(f"{file}: lacks the column '{lacking[0]}' of the mapping (found: {found}). Check the mapping.")


def _source(cells: pl.DataFrame, column: MappedColumn) -> pl.Series:
    """The cells of a column, with those of further columns after a blank; null where one of them is."""
    if not column.also:
        return cells[column.source]
    return cells.select(pl.concat_str(column.source, *column.also, separator=" ")).to_series()


def _mapped(
    cells: pl.Series, column: MappedColumn, *, units: dict[str, str], how: Reading, constants: dict[str, str]
) -> pl.Series:
    if column.true or column.false:
        return _flag(cells, column)
    if column.form == "elapsed":
        said = constants.get(column.to)
        begins = (
            f"{said}T00:00:00" if said is not None and DATE.fullmatch(said) else said
        )  # what passes since begins it
        start = cast(pl.Series([begins], dtype=pl.String), "time", how)
        numbers = convert(numbers_and_units(cells, how)["number"], column.unit or "s", "h")
        hours = clock_hours(cells).fill_null(numbers)
        begun = pl.lit(start.first(), dtype=start.dtype)  # null where the constant is no time, and so is each cell
        return pl.select(begun + pl.duration(microseconds=(pl.lit(hours) * 3.6e9).round())).to_series()
    if column.form == "clock":
        return convert(clock_hours(cells), "h", units.get(column.to) or "h").cast(pl.String).fill_null(cells)
    if column.form:
        return foreign_times(cells, column.form, how)
    if column.to in units:
        return _number(cells, column, units[column.to], how)
    return cells


def _is_clock(name: str, cells: pl.DataFrame, mapping: Mapping, constants: dict[str, str]) -> bool:
    """Whether times count from a date and are written as times of day: bare numbers may begin anew within a day."""
    sources = [_source(cells, column) for column in mapping.columns if (column.to, column.form) == (name, "elapsed")]
    return bool(DATE.fullmatch(constants[name])) and any(clock_hours(source).is_not_null().any() for source in sources)


def _on_their_days(columns: dict[str, pl.Series], clocks: list[str]) -> dict[str, pl.Series]:
    """Times of day that count from a date, a day later after each midnight that their vehicle's rows pass."""
    of = columns["vehicle_id"] if "vehicle_id" in columns else pl.lit("")
    half_a_day = pl.duration(hours=12)  # a clock that goes back further is nearer to what it says of the next day
    passed = (pl.col("at").diff() < -half_a_day).fill_null(value=False).cum_sum().over("of")
    later = pl.col("at") + pl.duration(days=1) * passed
    return {name: pl.select(at=columns[name], of=of).select(later).to_series() for name in clocks}


def _flag(cells: pl.Series, column: MappedColumn) -> pl.Series:
    texts = cells.cast(pl.String).str.to_lowercase()
    says = {word: _any_of(texts, getattr(column, word)) for word in ("false", "true")}
    yes_or_no = pl.when(says["false"]).then(pl.lit("false")).when(says["true"]).then(pl.lit("true")).otherwise(cells)
    return pl.select(yes_or_no).to_series()


def _any_of(texts: pl.Series, words: tuple[str, ...]) -> pl.Series:
    none = texts.is_null() & texts.is_not_null()
    return reduce(lambda found, word: found | texts.str.contains(word.lower(), literal=True), words, none)


def clock_hours(cells: pl.Series) -> pl.Series:
    """Cells such as 1:02:03 or 08:30 as hours; null where one is none."""
    hours, minutes, seconds = (cells.cast(pl.String).str.extract(CLOCK, n) for n in (1, 2, 3))
    whole = hours.str.replace_all(r"\D", "").cast(pl.Float64).fill_null(0.0)  # thousands may be grouped: 1.234:30:00
    return whole + minutes.cast(pl.Float64) / 60 + seconds.str.replace(",", ".").cast(pl.Float64) / 3600


def _number(cells: pl.Series, column: MappedColumn, target: str, how: Reading) -> pl.Series:
    """Numbers in the contract's unit, as text; a unit glued to a number is heeded, else the column's own is."""
    if cells.dtype != pl.String:
        return convert(cast(cells, "float", how), column.unit or target, target)
    parts = numbers_and_units(cells, how)
    converted = convert(parts["number"], column.unit or target, target)
    for unit in parts["unit"].unique().drop_nulls().to_list():
        glued = convert(parts["number"], unit, target) if fits(unit, target) else parts["number"].clear(len(cells))
        converted = converted.zip_with((parts["unit"] != unit).fill_null(value=True), glued)
    unread = converted.is_null() & ~is_empty(cells, "float")
    return pl.select(pl.when(unread).then(cells).otherwise(converted.cast(pl.String))).to_series()


def numbers_and_units(cells: pl.Series, how: Reading) -> pl.DataFrame:
    """Cells as numbers, null where one is none, and the unit that is glued to each, null where none is."""
    if cells.dtype.is_numeric():  # typed as a number: neither a dot nor a comma in it means anything else
        none = pl.Series("unit", [None], dtype=pl.String).new_from_index(0, len(cells))
        return pl.DataFrame([cast(cells, "float", how).alias("number"), none])
    texts = cells.cast(pl.String).str.strip_chars()
    numbers = texts.str.extract(NUMBER_AND_UNIT, 1).str.replace_all(r"[\u00a0 ]", "")
    return pl.DataFrame({"number": cast(numbers, "float", how), "unit": texts.str.extract(NUMBER_AND_UNIT, 2)})


def _snapshots(
    cells: pl.DataFrame, columns: dict[str, pl.Series], mapping: Mapping, constants: dict[str, str], how: Reading
) -> pl.DataFrame:
    """One row per session of a log: the newest time, and each column by its own rule over rows that count for it."""
    key = [name for name in drop_tables()[mapping.table].key if name in columns]
    frame = pl.DataFrame([values.alias(name) for name, values in columns.items()] + [cells[ROW]])
    frame = frame.with_columns(pl.lit(value).alias(name) for name, value in constants.items() if name not in columns)
    frame = frame.with_columns(pl.col(pl.String).replace("", None))  # an empty cell is no value to take
    if "read_at" in columns:
        frame = frame.with_columns(cast(frame["read_at"], "time", how).alias("read_at"))
    counts = [_counts(cells, column, how).alias(f"{column.to} counts") for column in mapping.columns]
    ids = [name for name in key if name != "read_at"]
    sessions = _sessions(frame, mapping, ids).alias("session")
    taken = [column for column in mapping.columns if column.to not in (*ids, "read_at")]
    values = [_aggregated(column, least=mapping.least_rows) for column in taken]
    values += [each for column in taken if column.how in ("median", "mean") for each in _rests_on(column)]
    fixed = [pl.col(name).first() for name in constants if name not in columns]
    newest = [pl.col("read_at").max()] if "read_at" in columns else []
    grouped = frame.hstack(counts).with_columns(sessions).group_by(*ids, "session", maintain_order=True)
    return grouped.agg(*newest, *values, *fixed, pl.col(ROW).first()).drop("session")


def _sessions(frame: pl.DataFrame, mapping: Mapping, ids: list[str]) -> pl.Series:
    if mapping.session_gap_minutes is None or "read_at" not in frame.columns or frame["read_at"].dtype == pl.String:
        return pl.Series([0], dtype=pl.Int64).new_from_index(0, frame.height)
    since = pl.col("read_at").diff()
    since = since.over(ids) if ids else since
    pause = since.dt.total_microseconds().abs() > mapping.session_gap_minutes * 6e7
    begun = pause.fill_null(value=False).cast(pl.Int64).cum_sum()
    return frame.select(begun.over(ids) if ids else begun).to_series()


def _counts(cells: pl.DataFrame, column: MappedColumn, how: Reading) -> pl.Series:
    every = pl.Series([True], dtype=pl.Boolean).new_from_index(0, cells.height)
    return reduce(lambda rows, condition: rows & _holds(cells[condition.column], condition, how), column.where, every)


def _holds(cells: pl.Series, condition: Condition, how: Reading) -> pl.Series:
    holds = cells.is_not_null()
    if condition.equals is not None:
        holds &= (cells.cast(pl.String).str.strip_chars() == condition.equals).fill_null(value=False)
    if condition.above is not None or condition.below is not None:
        numbers = numbers_and_units(cells, how)["number"]
        low = -float("inf") if condition.above is None else condition.above
        high = float("inf") if condition.below is None else condition.below
        holds &= ((numbers > low) & (numbers < high)).fill_null(value=False)
    return holds


def _rests_on(column: MappedColumn) -> list[pl.Expr]:
    """How many rows a value of a session rests on, and between which of them eight in ten lie; for a person to see."""
    numbers = pl.col(column.to).filter(pl.col(f"{column.to} counts")).cast(pl.Float64, strict=False)
    return [
        numbers.count().alias(f"{column.to}{ROWS_OF}"), numbers.quantile(0.1).alias(f"{column.to}{LEAST_OF}"),
        numbers.quantile(0.9).alias(f"{column.to}{MOST_OF}"),
    ]  # fmt: skip


def _aggregated(column: MappedColumn, *, least: int) -> pl.Expr:
    """The one value of a session; empty where fewer rows than `least` count for it."""
    kept = pl.col(column.to).filter(pl.col(f"{column.to} counts"))
    if column.how in ("", "last"):
        return kept.drop_nulls().last().alias(column.to)
    if column.how == "first":
        return kept.drop_nulls().first().alias(column.to)
    numbers = kept.cast(pl.Float64, strict=False)
    enough = numbers.count() >= least
    return pl.when(enough).then(getattr(numbers, column.how)()).alias(column.to)
