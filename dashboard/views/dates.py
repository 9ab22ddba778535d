"""Days as a reader writes them, day, month or year first: in words, in patterns, and in text that was published."""

import re
from datetime import date

NO_BREAK = "\N{NO-BREAK SPACE}"
DAY_FIRST, MONTH_FIRST, YEAR_FIRST = "day first", "month first", "year first"
FORMS = (DAY_FIRST, MONTH_FIRST, YEAR_FIRST)
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
SAID = re.compile(rf"\b([1-9]|[12]\d|3[01])[ {NO_BREAK}]({'|'.join(MONTHS)})\b(?:[ {NO_BREAK}](\d{{4}})\b)?")
# What a table's columns and a chart's axes and labels are written by -> the same in the other two forms.
TABLES = {
    "D MMM YYYY": ("MMM D, YYYY", "YYYY-MM-DD"),
    "D MMM": ("MMM D", "YYYY-MM-DD"),
    "MMMM YYYY": ("MMMM YYYY", "YYYY-MM"),
}
INPUTS = {DAY_FIRST: "DD/MM/YYYY", MONTH_FIRST: "MM/DD/YYYY", YEAR_FIRST: "YYYY-MM-DD"}  # of a field for a day
CHARTS = {
    "%d %B %Y": ("%B %-d, %Y", "%Y-%m-%d"), "%b %Y": ("%b %Y", "%Y-%m"), "%-d %b": ("%b %-d", "%Y-%m-%d"),
}  # fmt: skip


def day_words(day: date, form: str, *, year: bool, short: bool = False) -> str:
    """'12 March', 'March 12', '2031-03-12'; with the year where it is asked for.

    Args:
        day: Which.
        form: One of FORMS.
        year: Whether the year stands behind; year first always has it.
        short: The month in three letters.
    """
    if form == YEAR_FIRST:
        return day.isoformat()[:10]
    month = MONTHS[day.month - 1][: 3 if short else None]
    if form == MONTH_FIRST:
        return f"{month}{NO_BREAK}{day.day}" + (f",{NO_BREAK}{day.year}" if year else "")
    return f"{day.day}{NO_BREAK}{month}" + (f"{NO_BREAK}{day.year}" if year else "")


def rewritten(text: str, form: str, as_of: date) -> str:
    """Published text with its days in another form; a day without a year is of the year of `as_of`."""
    if form == DAY_FIRST:
        return text

    def other(found: re.Match[str]) -> str:
        number, month, year = found.groups()
        try:
            day = date(int(year or as_of.year), MONTHS.index(month) + 1, int(number))
        except ValueError:  # a day that no month has is no day
            return found[0]
        return day_words(day, form, year=year is not None)

    return SAID.sub(other, text)


def pattern(written: str, form: str, known: dict[str, tuple[str, str]]) -> str:
    """A pattern of TABLES or CHARTS, which may be part of a longer one, in another form."""
    if form == DAY_FIRST:
        return written
    for mine, others in known.items():
        if mine in written:
            return written.replace(mine, others[FORMS.index(form) - 1])
    return written
