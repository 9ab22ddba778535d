"""Times of foreign files by their form -> texts of ISO 8601; a cell that is no such time stays as it came."""

import csv
import re
from functools import cache
from importlib.resources import files

import polars as pl

from pipelines.intake.casting import Reading, cast

NAMED_FORMS = ("epoch", "epoch_ms", "epoch_us", "serial", "spoken")
PER_SECOND = {"epoch": 1, "epoch_ms": 1_000, "epoch_us": 1_000_000}
DAY_ZERO = "1899-12-30"  # of the serial days of spreadsheets, from 1 March 1900 on
SPOKEN_FORMS = ("%d %m %Y", "%d %m %y", "%m %d %Y", "%Y %m %d")
CLOCK_TIMES = ("", " %H:%M:%S", " %H:%M", " %I:%M:%S %p", " %I:%M %p")


def foreign_times(cells: pl.Series, form: str, how: Reading) -> pl.Series:
    """Times as texts of ISO 8601; a day without a time of day stays a date.

    Args:
        cells: As they came.
        form: As for strptime, or `epoch` (seconds since 1970), `epoch_ms`, `epoch_us`, `serial` (days of a
            spreadsheet), `spoken` (the month as a word: 3 Feb 2026).
        how: How numbers are written.
    """
    if form in PER_SECOND:
        microseconds = _numbers(cells, how) * (1_000_000 // PER_SECOND[form])
        return _iso(microseconds.round().cast(pl.Int64, strict=False).cast(pl.Datetime("us")), cells, zone="+00:00")
    if form == "serial":
        numbers = _numbers(cells, how)
        days = numbers.set(~numbers.is_between(1, 2_958_465), None)  # up to the year 9999
        since = pl.duration(microseconds=(pl.lit(days) * 86_400_000).round() * 1_000)
        times = pl.select(pl.lit(DAY_ZERO).str.to_datetime("%Y-%m-%d", time_unit="us") + since).to_series()
        return _iso(times, cells, days_alone=bool((days == days.round()).fill_null(value=True).all()))
    texts = cells.cast(pl.String).str.strip_chars()
    if form == "spoken":
        return _spoken(texts).fill_null(cells.cast(pl.String))
    zoned = "%z" in form or "%#z" in form
    if not re.search(r"%[HIMSTRXcsk]", form):
        return texts.str.to_date(form, strict=False).dt.strftime("%Y-%m-%d").fill_null(cells.cast(pl.String))
    times = texts.str.to_datetime(form, strict=False, time_unit="us", time_zone="UTC" if zoned else None)
    return _iso(times, cells, zone="+00:00" if zoned else "")


def _numbers(cells: pl.Series, how: Reading) -> pl.Series:
    numbers = cast(cells, "float", how).cast(pl.Float64)
    return numbers.set(numbers.abs() > 9e15, None)


def _iso(times: pl.Series, cells: pl.Series, *, zone: str = "", days_alone: bool = False) -> pl.Series:
    form = "%Y-%m-%d" if days_alone else "%Y-%m-%dT%H:%M:%S%.6f"
    return times.dt.strftime(form + ("" if days_alone else zone)).fill_null(cells.cast(pl.String))


def _spoken(texts: pl.Series) -> pl.Series:
    """Texts with the month as a word, in any of the languages known; null where none is found, or it is none."""
    plain = texts.str.to_lowercase().str.replace_all(r"[.,]|\bde\b|\bof\b", " ")
    plain = plain.str.replace(r"^\s*\p{L}+day\b|^\s*(?:mon|tue|wed|thu|fri|sat|sun)\b", "")
    plain = plain.str.replace(r"(\d)(?:st|nd|rd|th)\b", "$1").str.replace(r"(:\d\d) \d+$", "$1")  # seconds alone
    word = plain.str.extract(r"([^\W\d_]{3,})", 1)
    month = word.replace_strict(_months(), default=None, return_dtype=pl.String)
    numbered = pl.select(pl.lit(plain).str.replace(pl.lit(r"[^\W\d_]{3,}"), pl.lit(" ") + month + pl.lit(" ")))
    tidy = numbered.to_series().str.replace_all(r"[\s/-]+", " ").str.strip_chars().str.to_uppercase()
    tidy = tidy.set(month.is_null(), None)
    first = pl.Series([None], dtype=pl.String).new_from_index(0, len(texts))
    for form in SPOKEN_FORMS:
        for clock in CLOCK_TIMES:
            found = tidy.str.to_datetime(form + clock, strict=False, time_unit="us") if clock else (
                tidy.str.to_date(form, strict=False)
            )  # fmt: skip
            first = first.fill_null(found.dt.strftime("%Y-%m-%dT%H:%M:%S" if clock else "%Y-%m-%d"))
    return first


@cache
def _months() -> dict[str, str]:
    with files("pipelines.intake").joinpath("months.csv").open(encoding="utf-8") as lines:
        return {word: row["month"] for row in csv.DictReader(lines) for word in row["words"].split()}
