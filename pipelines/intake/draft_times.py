"""The form in which a column's times are written, told by its cells; both where day and month can change places."""

import re
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipelines.intake.casting import Reading, cast, is_empty
from pipelines.intake.foreign import clock_hours
from pipelines.intake.foreign_times import PER_SECOND, foreign_times

DAYS_FIRST = ("%d.%m.%Y", "%d.%m.%y", "%d/%m/%Y", "%d/%m/%y", "%d-%m-%Y", "%d-%m-%y", "%d %m %Y")
MONTHS_FIRST = ("%m/%d/%Y", "%m/%d/%y", "%m-%d-%Y", "%m-%d-%y")
YEARS_FIRST = ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%Y年%m月%d日")
CLOCKS = ("%H:%M:%S", "%H:%M", "%H.%M.%S", "%H.%M", "%I:%M:%S %p", "%I:%M %p", "%H:%M:%S%.f", "%Hh%M", "%H%M")
BETWEEN = (" ", "T", ", ", "  ")
EPOCH_SECONDS = (8e8, 4.2e9)  # 1995 to 2103
NUMBERS = ("serial", *PER_SECOND)  # forms that any numbers may seem to be
SERIAL_DAYS = (35_000, 75_000)  # 1995 to 2105
FIRST_SECONDS = 60.0  # after midnight: a clock that begins there counts from the log's start; judgement
LONGEST_START = 3600.0  # seconds after the start at which a log's first row may stand; judgement
MOST_LOOKED_AT = 2_000
LOOKS = {"%Y": r"[+-]?\d{4,}", "%p": r"[AP]M", "%.f": r"(?:\.\d+)?", **dict.fromkeys(
    ("%d", "%m", "%y", "%H", "%I", "%M", "%S"), r"\s*[+-]?\d{1,2}"
)}  # fmt: skip
FEW = 50  # texts on which a form is tried first
FIRST_YEAR = 1970  # a year of two digits that is read as one of four is none
ISO_DAY = r"^\d{4}-\d{2}-\d{2}"


@dataclass(frozen=True, kw_only=True)
class TimeForm:
    """How a column's times are written.

    kind: `full` (a day and a time of day), `day`, `clock` (a time of day alone), `elapsed`.
    form: As a mapping says it; empty: ISO 8601.
    other: The form in which day and month change places, where that reads as well; empty: none does.
    """

    kind: str
    form: str = ""
    other: str = ""


def time_form(cells: pl.Series, unit: str = "") -> TimeForm | None:
    """The form in which all filled cells of a column read; None: there is none.

    Args:
        cells: As they came.
        unit: That the header says: only a duration has one.
    """
    filled = cells.filter(~is_empty(cells, "time")).head(MOST_LOOKED_AT)
    if filled.is_empty():
        return None
    if isinstance(filled.dtype, pl.Datetime | pl.Date):
        return TimeForm(kind="day" if filled.dtype == pl.Date else "full")
    texts = filled.cast(pl.String).str.strip_chars()
    numbers = texts.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    if numbers.null_count() == 0:
        return _of_numbers(numbers, texts, unit)
    if unit:
        return None
    if cast(texts, "time", Reading()).null_count() == 0:
        return TimeForm(kind="day" if not texts.str.contains(r"\d[T ]+\d").any() else "full")
    return _of_texts(texts)


def is_day(cells: pl.Series) -> bool:
    """Whether a column holds days without a time of day."""
    form = time_form(cells)
    return form is not None and form.kind == "day"


def goes_on(clocks: pl.Series) -> bool:
    """Whether times of day never go back, as within one day they do not."""
    hours = clock_hours(clocks).drop_nulls()
    return bool((hours.diff().drop_nulls() >= 0).all())


def begins_at_zero(clocks: pl.Series) -> bool:
    """Whether what look like times of day are rather the time since a log's start."""
    first = clock_hours(clocks).drop_nulls().head(1)
    return bool((first * 3600 < FIRST_SECONDS).any())


def _of_numbers(numbers: pl.Series, texts: pl.Series, unit: str) -> TimeForm | None:
    low, high = float(numbers.min()), float(numbers.max())  # type: ignore[arg-type]
    if not unit or unit in ("s", "ms"):
        for form, per_second in PER_SECOND.items():
            if EPOCH_SECONDS[0] * per_second <= low and high <= EPOCH_SECONDS[1] * per_second:
                return TimeForm(kind="full", form=form)
    if not unit and texts.str.contains(r"^(19|20)\d{6}$").all() and _reads(texts, "%Y%m%d"):
        return TimeForm(kind="day", form="%Y%m%d")
    if not unit and SERIAL_DAYS[0] <= low and high <= SERIAL_DAYS[1]:
        return TimeForm(kind="full" if (numbers != numbers.round()).any() else "day", form="serial")
    if not unit and texts.str.contains(r"^\d{1,2}[.,]\d{2}$").all() and _of_day(texts, "%H.%M"):
        return TimeForm(kind="clock", form="%H.%M")
    rises = numbers.diff().drop_nulls()
    steady = len(rises) > 0 and bool((rises >= 0).all()) and bool((rises > 0).any())
    within = low >= 0 and low * {"ms": 1e-3, "h": 3600, "min": 60, "minute": 60}.get(unit, 1) <= LONGEST_START
    return TimeForm(kind="elapsed", form="elapsed") if steady and within else None


def _of_texts(texts: pl.Series) -> TimeForm | None:
    if not texts.str.contains(r"\d").all():
        return None
    first = [_first_that_reads(texts, days) for days in (DAYS_FIRST, MONTHS_FIRST, YEARS_FIRST)]
    found = [form for form in first if form]
    if found:
        return TimeForm(kind=found[0].kind, form=found[0].form, other=found[1].form if len(found) > 1 else "")
    for clock in CLOCKS:
        if _of_day(texts, clock):
            return TimeForm(kind="clock", form=clock)
    if foreign_times(texts, "spoken", Reading()).str.contains(ISO_DAY).fill_null(value=False).all():
        return TimeForm(kind="full" if texts.str.contains(r"\d:\d").any() else "day", form="spoken")
    return None


def _first_that_reads(texts: pl.Series, days: tuple[str, ...]) -> TimeForm | None:
    some = texts.unique(maintain_order=True).head(FEW)
    one = some[0]
    for day in days:
        for clock in ("", *CLOCKS):
            for between in BETWEEN if clock else ("",):
                form = f"{day}{between}{clock}"
                if _shape(form).fullmatch(one) and _reads(some, form) and _reads(texts, form):
                    return TimeForm(kind="full" if clock else "day", form=form)
    return None


@cache
def _shape(form: str) -> re.Pattern[str]:
    """What texts of a form look like, and some that are none: quicker than to try it."""
    parts = re.split(r"(%\.f|%[a-zA-Z])", form)
    return re.compile("".join(LOOKS.get(part, re.escape(part)) for part in parts), re.IGNORECASE)


def _of_day(texts: pl.Series, clock: str) -> bool:
    return _reads(pl.select(pl.format("2031-02-14 {}", texts)).to_series(), f"%Y-%m-%d {clock}")


def _reads(texts: pl.Series, form: str) -> bool:
    """Whether every text reads in a form, in a year that computers have known."""
    if "%H" in form or "%I" in form:
        times = texts.str.to_datetime(form, strict=False, time_unit="us").dt.year()
    else:
        times = texts.str.to_date(form, strict=False).dt.year()
    return bool((times >= FIRST_YEAR).fill_null(value=False).all())
