"""Cells as they came -> the contract's types; what cannot be read becomes null and a problem; no file, no table."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from pipelines.days import END_OF_DAY
from pipelines.intake.reach import beyond_reach

NULL_WORDS = ["", "na", "n/a", "#n/a", "nan", "null", "none", "nil", "-", "--"]
TRUE_WORDS = ["true", "1", "1.0", "yes", "y", "t", "on", "x", "ja", "oui", "si", "sí", "wahr", "vrai"]
FALSE_WORDS = ["false", "0", "0.0", "no", "n", "f", "off", "nein", "non", "falsch", "faux"]
PROTECTED = (
    "^'([\\s]*[=+\\-@|%\t\r\uff1d\uff0b\uff0d\uff20])"  # what an export put before text that a spreadsheet would run
)
GROUPED = r"^[-+]?[1-9]\d{0,2}(\.\d{3})+$"  # a number whose dots may group thousands: with a leading zero, they cannot
UTC_TIME = "%Y-%m-%dT%H:%M:%SZ"  # as most files have it; read five times as fast as the others
OFFSET_TIME = "%Y-%m-%dT%H:%M:%S%.f%#z"
NAIVE_TIME = "%Y-%m-%dT%H:%M:%S%.f"


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How a file's cells are to be read.

    time_zone: Zone of times without an offset.
    decimal_comma: Whether '1,234' is 1.234.
    dots_group: Whether '1.234' is 1234.
    """

    time_zone: str = "UTC"
    decimal_comma: bool = False
    dots_group: bool = False


def cast(cells: pl.Series, kind: str, how: Reading) -> pl.Series:
    """Cells as one of the contract's types (`text`, `int`, `float`, `bool`, `date`, `time`).

    Returns:
        The typed column, same length; null where the cell was empty or cannot be read.
    """
    values = CASTS[kind](cells, how)
    beyond = beyond_reach(values) if kind in ("time", "date") else None
    return values if beyond is None else values.set(beyond, None)


def is_empty(cells: pl.Series, kind: str) -> pl.Series:
    """Where a cell holds nothing: null, blank, NaN, or (not for text) a word that means null."""
    if cells.dtype == pl.String:
        words = cells.str.strip_chars().str.to_lowercase()
        return cells.is_null() | (words == "" if kind == "text" else words.is_in(NULL_WORDS))
    if cells.dtype.is_float():
        return cells.is_null() | cells.is_nan()
    return cells.is_null()


def has_offset(cells: pl.Series) -> pl.Series:
    """Where a time says its own offset from UTC."""
    if cells.dtype == pl.String:
        return cells.str.contains(r"[Tt ].*([Zz]|[+-]\d{2}(:?\d{2})?)\s*$")
    zoned = isinstance(cells.dtype, pl.Datetime) and cells.dtype.time_zone is not None
    return pl.Series(cells.name, [zoned], dtype=pl.Boolean).new_from_index(0, len(cells))


def unmistakable(number: str) -> str:
    """The text of a number that was typed as one: with one more zero where its dot could be taken for grouping."""
    return f"{number}0" if re.match(GROUPED, number) else number


def _text(cells: pl.Series, how: Reading) -> pl.Series:  # noqa: ARG001 (all casts take the same)
    if cells.dtype.is_float():
        whole = cells.cast(pl.Int64, strict=False)
        texts = pl.select(
            pl.when(whole == cells).then(whole.cast(pl.String)).otherwise(cells.cast(pl.String))
        ).to_series()
        return texts.alias(cells.name)
    if cells.dtype.is_nested() or cells.dtype == pl.Binary:
        return pl.Series(cells.name, [None], dtype=pl.String).new_from_index(0, len(cells))
    texts = cells.cast(pl.String, strict=False).str.strip_chars()
    if texts.str.starts_with("'").any():
        texts = texts.str.replace(PROTECTED, "$1")
    return texts.set(texts == "", None)


def _float(cells: pl.Series, how: Reading) -> pl.Series:
    if cells.dtype == pl.String:
        cells = _without_grouping_dots(cells) if how.dots_group else cells
        numbers = cells.cast(pl.Float64, strict=False)
        if numbers.null_count() > cells.null_count():
            unread = (numbers.is_null() & cells.is_not_null()).arg_true()
            numbers = numbers.scatter(unread, _written_otherwise(cells.gather(unread), how))
    elif cells.dtype.is_numeric():
        numbers = cells.cast(pl.Float64) if cells.dtype != pl.Float32 else cells
    else:
        return _nothing(cells, pl.Float64())
    return numbers if math.isfinite(numbers.sum()) else numbers.set(~numbers.is_finite(), None)


def _without_grouping_dots(cells: pl.Series) -> pl.Series:
    grouped = cells.str.strip_chars().str.contains(GROUPED).fill_null(value=False)
    return cells.str.replace_all(".", "", literal=True).zip_with(grouped, cells)


def _written_otherwise(cells: pl.Series, how: Reading) -> pl.Series:
    """Numbers with blanks around them, a typographic minus, what an export put before them, or decimal commas."""
    texts = cells.str.strip_chars().str.replace_all("\u2212", "-", literal=True).str.replace(PROTECTED, "$1")
    numbers = texts.cast(pl.Float64, strict=False)
    if texts.str.contains(",", literal=True).any():
        commas = r"^[-+]?\d*,\d+([eE][-+]?\d+)?$" if how.decimal_comma else r"^[-+]?\d*,(\d{1,2}|\d{4,})$"
        readable = texts.set(~texts.str.contains(commas), None).str.replace(",", ".", literal=True)
        numbers = numbers.fill_null(readable.cast(pl.Float64, strict=False))
        if how.decimal_comma:
            grouped = texts.set(~texts.str.contains(r"^[-+]?\d{1,3}([. ]\d{3})+,\d+$"), None)
            plain = grouped.str.replace_all(r"[. ]", "").str.replace(",", ".", literal=True)
            numbers = numbers.fill_null(plain.cast(pl.Float64, strict=False))
    return numbers


def _int(cells: pl.Series, how: Reading) -> pl.Series:
    numbers = _float(cells, how).cast(pl.Float64)
    whole = (numbers == numbers.round()) & (numbers.abs() < 2**53)
    return numbers.set(~whole, None).cast(pl.Int64)


def _bool(cells: pl.Series, how: Reading) -> pl.Series:  # noqa: ARG001 (all casts take the same)
    if cells.dtype == pl.Boolean:
        return cells
    if cells.dtype.is_nested() or cells.dtype.is_temporal() or cells.dtype == pl.Binary:
        return _nothing(cells, pl.Boolean())
    words = cells.cast(pl.String).str.strip_chars().str.to_lowercase()
    return words.replace_strict(
        [*TRUE_WORDS, *FALSE_WORDS],
        [True] * len(TRUE_WORDS) + [False] * len(FALSE_WORDS),
        default=None,
        return_dtype=pl.Boolean,
    )


def _time(cells: pl.Series, how: Reading) -> pl.Series:
    dtype = cells.dtype
    if isinstance(dtype, pl.Datetime):
        return (
            _in_utc(cells, how)
            if dtype.time_zone is None
            else cells.dt.cast_time_unit("us").dt.convert_time_zone("UTC")
        )
    if dtype == pl.Date:
        return _in_utc(cells.dt.combine(END_OF_DAY), how)
    if dtype != pl.String:
        return _nothing(cells, pl.Datetime("us", "UTC"))
    for form in (UTC_TIME, OFFSET_TIME):
        times = cells.str.to_datetime(form, time_unit="us", time_zone="UTC", strict=False)
        if times.null_count() == cells.null_count():
            return times
    plain = _standard_times(cells)
    zoned = plain.str.to_datetime(OFFSET_TIME, time_unit="us", time_zone="UTC", strict=False)
    naive = plain.str.to_datetime(NAIVE_TIME, time_unit="us", strict=False)
    return zoned.fill_null(_in_utc(naive, how))


def _standard_times(cells: pl.Series) -> pl.Series:
    """The ISO 8601 spellings (blank for T, no seconds, no time, basic form, comma before the fraction) as one."""
    return (
        cells.str.strip_chars()
        .str.to_uppercase()
        .str.replace(r"^(\d{4})(\d{2})(\d{2})(T|$)", "${1}-${2}-${3}${4}")
        .str.replace(r"^(\d{4}-\d{2}-\d{2})[T ]+(\d{2})(\d{2})(\d{2})?", "${1}T${2}:${3}:${4}")
        .str.replace(r"^(\d{4}-\d{2}-\d{2}) +", "${1}T")
        .str.replace(r"(T\d{2}:\d{2}):($|Z|[+-])", "${1}${2}")
        .str.replace(r"(T\d{2}:\d{2})( ?Z| ?[+-]\d{2}:?\d{0,2})?$", "${1}:00${2}")
        .str.replace(r"^(\d{4}-\d{2}-\d{2})$", f"${{1}}T{END_OF_DAY}")
        .str.replace(r"(:\d{2}),(\d+)", "${1}.${2}")
        .str.replace(r" ?Z$", "+00:00")
        .str.replace(r" ([+-]\d{2})", "$1")
    )


def _in_utc(naive: pl.Series, how: Reading) -> pl.Series:
    """Times without an offset, read in the store's zone; the earlier one where clocks went back, null where forward."""
    local = naive.dt.cast_time_unit("us").dt.replace_time_zone(how.time_zone, ambiguous="earliest", non_existent="null")
    return local.dt.convert_time_zone("UTC")


def _date(cells: pl.Series, how: Reading) -> pl.Series:  # noqa: ARG001 (all casts take the same)
    if cells.dtype == pl.Date:
        return cells
    if isinstance(cells.dtype, pl.Datetime):
        return cells.dt.date()
    if cells.dtype != pl.String:
        return _nothing(cells, pl.Date())
    dates = cells.str.strip_chars().str.to_date("%Y-%m-%d", strict=False)
    if dates.null_count() == cells.null_count():
        return dates
    return dates.fill_null(
        _standard_times(cells).str.slice(0, 19).str.to_datetime("%Y-%m-%dT%H:%M:%S", strict=False).dt.date()
    )


def _nothing(cells: pl.Series, dtype: pl.DataType) -> pl.Series:
    return pl.Series(cells.name, [None], dtype=dtype).new_from_index(0, len(cells))


CASTS: dict[str, Callable[[pl.Series, Reading], pl.Series]] = {
    "text": _text,
    "int": _int,
    "float": _float,
    "bool": _bool,
    "time": _time,
    "date": _date,
}
