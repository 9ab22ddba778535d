"""Numbers, dates and units as a reader reads them; nothing here knows a table."""

import math
import re
import shlex
import string
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from dashboard.views.dates import DAY_FIRST, MONTH_FIRST, day_words, rewritten
from pipelines import figure_words
from pipelines.visible import visible

KM_PER_MILE = 1.609344
NO_BREAK = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"
UNKNOWN = "\N{EN DASH}"  # stands where a figure is not known
UTC_ZONE = ZoneInfo("UTC")
JOINER = "\N{WORD JOINER}"
BLANKS = re.compile(r"[ \t\r\n\f\v]+")
PUNCTUATION = re.compile(f"[{re.escape(string.punctuation)}]")
LOOKED_FOR = re.compile(  # where Streamlit's pages begin to see an address, an icon or emoji by name, or an arrow
    r"www(?=\.)|https?(?=://)|[-.\w+](?=@)|:(?=[\w+/-]+:)|(?<!\S)(?:<-|[-<>~])(?=[->=]>?(?!\S))", re.IGNORECASE
)
UNIT_WORDS = {
    "degC": "°C",
    "degF": "°F",
    "deg": "°",
    "deg_crank": "° crank",
    "permille": "‰",
    "mlambda": "mλ",
    "ratio": "",
    "1": "",
    "mg/stroke": "mg a stroke",
}


FIGURE = re.compile(  # a figure with a catalogue's unit in text that an analysis published
    rf"([+{MINUS}])?(\d+(?:\.\d+)?)[ {NO_BREAK}](degC|°C|deg_crank|deg|permille|mlambda|ratio|mg/stroke)(?![\w/])"
)


@dataclass(frozen=True, kw_only=True)
class Reader:
    """Who reads: the zone of their clock, their units and form of dates, and the moment the figures stand for.

    Attributes:
        as_of: The published state shown (UTC).
        zone: The reader's time zone.
        miles: Distances in miles; otherwise kilometres.
        fahrenheit: Temperatures in °F; otherwise °C.
        dates: One of `dates.FORMS`.
    """

    as_of: datetime
    zone: ZoneInfo = UTC_ZONE
    miles: bool = False
    fahrenheit: bool = False
    dates: str = DAY_FIRST

    def local(self, at: datetime) -> datetime:
        """The same moment on the reader's clock; a time without a zone is taken as UTC."""
        return (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(self.zone)

    def day(self, at: datetime | date | None, *, absent: str = "not known", short: bool = False) -> str:
        """'12 March', with the year where it is not that of `as_of`; short: '12 Mar'."""
        if at is None:
            return absent
        local = self.local(at) if isinstance(at, datetime) else at
        return day_words(local, self.dates, year=local.year != self.local(self.as_of).year, short=short)

    def short_day(self, at: datetime | None) -> str:
        """The same for a table cell: '12 Mar', '12 Mar 2030'."""
        return self.day(at, short=True)

    def moment(self, at: datetime | None) -> str:
        """'12 March 2031, 14:05 (Europe/Lisbon)'."""
        if at is None:
            return "not known"
        local = self.local(at)
        return f"{day_words(local, self.dates, year=True)}, {local:%H:%M} ({self.zone.key})"

    def between(self, low: datetime, high: datetime) -> str:
        """'between 3 and 19 June', 'between 28 May and 3 June', 'on 3 June' when both are one day."""
        first, last = self.local(low), self.local(high)
        if first.date() == last.date():
            return f"on {self.day(last)}"
        one_month = (first.year, first.month) == (last.year, last.month)
        if one_month and self.dates == DAY_FIRST:
            return f"between {first.day} and {self.day(last)}"
        if one_month and self.dates == MONTH_FIRST:
            return f"between {self.day(first).partition(',')[0]} and {last.day}{self.day(last).partition(',')[2]}"
        return f"between {self.day(first)} and {self.day(last)}"

    def said(self, text: str) -> str:
        """Text that an analysis published, with its days, units and temperatures as this reader reads them."""
        return rewritten(FIGURE.sub(self._figure, text), self.dates, self.local(self.as_of).date())

    def _figure(self, found: re.Match[str]) -> str:
        """A figure in the reader's unit: one with a sign is a difference, which has no zero of its own."""
        sign, figure, unit = found[1] or "", found[2], found[3]
        if unit in {"degC", "°C"} and self.fahrenheit:
            figure, unit = f"{1.8 * float(figure) + (0 if sign else 32):.3g}", "degF"
        word = unit_word(unit)
        return f"{sign}{figure}{NO_BREAK}{word}" if word else f"{sign}{figure}"

    def distance(self, km: float | None, *, digits: int = 0) -> str:
        """'12,400 km' or '7,705 miles'."""
        if km is None or math.isnan(km):
            return "not known"
        figure, unit = (km / KM_PER_MILE, "miles") if self.miles else (km, "km")
        return f"{figure:,.{digits}f}{NO_BREAK}{unit}"

    def amount(self, value: float | None, unit: str | None, *, figures: int = 2) -> str:
        """A value with its unit; temperatures in °F for who reads those."""
        if value is not None and unit == "degC" and self.fahrenheit:
            return amount(32 + 1.8 * value, "degF", figures=figures)
        return amount(value, unit, figures=figures)

    @property
    def thousand(self) -> str:
        """'1,000 km' or '1,000 miles', for rates by distance."""
        return f"1,000{NO_BREAK}{'miles' if self.miles else 'km'}"

    def per_thousand(self, rate_per_1000km: float) -> float:
        """A rate per 1,000 km in the reader's distance."""
        return rate_per_1000km * KM_PER_MILE if self.miles else rate_per_1000km


def number(value: float | None, *, figures: int = 2) -> str:
    """A value to so many significant figures, without an exponent: 0.913 -> '0.91', 1234 -> '1,234'."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if value == 0:
        return "0"
    digits = max(0, figures - 1 - math.floor(math.log10(abs(value))))
    text = f"{abs(value):,.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{MINUS}{text}" if value < 0 else text


def signed(value: float | None, *, figures: int = 2) -> str:
    """A number with its sign: '+0.9'."""
    text = number(value, figures=figures)
    return f"+{text}" if value is not None and math.isfinite(value) and value > 0 else text


def unit_word(unit: str | None) -> str:
    """A catalogue's unit as it is read: 'degC' -> '°C'; an empty one stays empty."""
    return UNIT_WORDS.get(unit or "", unit or "")


def amount(value: float | None, unit: str | None, *, figures: int = 2) -> str:
    """'0.9 %', '12 ms'; a value without a unit stands alone."""
    word = unit_word(unit)
    text = number(value, figures=figures)
    return text if not word or text == UNKNOWN else f"{text}{NO_BREAK}{word}"


def difference(value: float, unit: str | None) -> str:
    """How far two values lie apart: of values in per cent, points, since per cent would be read as a share of them."""
    return amount(value, difference_word(unit))


def difference_word(unit: str | None) -> str:
    """The unit of a difference, as a word."""
    return "points" if unit_word(unit) == "%" else unit_word(unit)


def percent(share: float | None) -> str:
    """A share from 0 to 1 as published texts say it, kept on one line."""
    if share is None or not math.isfinite(share):
        return UNKNOWN
    return figure_words.percent(share).replace(" ", NO_BREAK)


def count(how_many: int, one: str, many: str | None = None) -> str:
    """'1 vehicle', '2 vehicles', 'no vehicles'."""
    word = one if how_many == 1 else (many or f"{one}s")
    return f"{'no' if how_many == 0 else f'{how_many:,}'}{NO_BREAK}{word}"


def listed(words: Iterable[str], *, last: str = "and") -> str:
    """'a', 'a and b', 'a, b and c'."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def sentence(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]


def shell_word(text: str) -> str:
    """A file's name or another word as it stands in a command that a reader copies into a shell."""
    return visible(shlex.quote(text))


def plain(text: str) -> str:
    """Text from data as Markdown that shows it as it is: no markup, link, image, formula, colour or icon in it.

    Every mark of punctuation is escaped; blanks are one each, so that no line begins in it. Addresses, icons, emoji and
    arrows are looked for in what is left after escapes are taken out: a joiner without width keeps them apart.
    """
    words = visible(BLANKS.sub(" ", text).strip(" "))
    return PUNCTUATION.sub(r"\\\g<0>", LOOKED_FOR.sub(lambda found: f"{found[0]}{JOINER}", words))
