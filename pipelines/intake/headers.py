"""A column's header in any of several languages -> the ideas it names, and its unit.

A header is words, often glued together or cut short. Each word that `header_words.csv` knows stands for ideas. The
ideas of `header_meanings.csv` name a column of the contract, those of its title a correction. A header with one word
that nobody knows is no header that anybody understood: it names nothing.
"""

import csv
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import islice, product

from pipelines.intake.units import is_unit

BRACKETS = re.compile(r"[\[({]([^\])}]*)[\])}]\s*$")
AFTER_COMMA = re.compile(r",\s*([^\s,]{1,6})\s*$")
UNIT_WORDS = {
    "pct": "%", "percent": "%", "proz": "%", "prozent": "%", "km": "km", "mi": "mi", "miles": "mile", "c": "degC",
    "f": "degF", "v": "V", "hpa": "hPa", "kpa": "kPa", "mbar": "mbar", "inhg": "inHg", "psi": "psi", "h": "h",
    "s": "s", "sec": "s", "secs": "s", "seconds": "s", "ms": "ms", "mph": "mph", "kmh": "km/h", "degc": "degC",
    "degf": "degF", "volts": "V", "mv": "mV", "min": "minute",
}  # fmt: skip
FOREIGN_UNITS = {"в": "V", "км": "km", "км/ч": "km/h", "ч": "h", "с": "s", "1/min": "rpm", "tr/min": "rpm"}  # noqa: RUF001 (Cyrillic)
FOLDED = str.maketrans({"ø": "o", "ł": "l", "ı": "i", "æ": "ae", "œ": "oe", "đ": "d", "ð": "d"})  # noqa: RUF001
LINKS = ("", "s", "n", "en", "e", "o", "es")  # letters that glue words together
SHORT_PARTS = {"nr", "km"}  # words of two letters that others are glued to
LEAST_PART = 3  # letters of a part of a word, in scripts that have no blanks one
IDEOGRAPHS = 0x3000
MOST_READINGS = 256  # ways to understand one header that are looked at; judgement
REGIONS = {"IDLE", "LOW", "MID", "HIGH"}
SPELT_OUT = {"LTFT": ("LONG", "FUEL", "TRIM"), "STFT": ("SHORT", "FUEL", "TRIM")}
UNSAID = {"FILL", "TERM", "LEARNED"}


@dataclass(frozen=True, kw_only=True)
class Header:
    """What a header says.

    readings: Each way to understand it: the ideas it names, digits and unknown words (in lower case) among them.
    unit: As written; empty: none is.
    languages: In which the words are known; empty: in all.
    """

    readings: tuple[frozenset[str], ...]
    unit: str
    languages: frozenset[str]

    def meanings(self) -> set[str]:
        """Columns of the contract that it can name, and roles (with a tilde before them) of columns of logs."""
        return {
            meaning.column
            for ideas in self.readings
            for meaning in _meanings()
            if meaning.required <= ideas <= meaning.required | meaning.optional
        }


@dataclass(frozen=True, kw_only=True)
class Meaning:
    """A column of the contract, or a role in a log, and the ideas that a header of it must and may name."""

    column: str
    required: frozenset[str]
    optional: frozenset[str]


@cache
def read_header(name: str) -> Header:
    """What a header says, whatever the language."""
    text, unit = _without_unit(unicodedata.normalize("NFKC", name))
    words, last = _words(text), ""
    if not unit and len(words) > 1 and words[-1] in UNIT_WORDS:
        last = words[-1]
        unit = UNIT_WORDS[last]
    if not unit and "%" in name:
        unit = "%"
    ways = [_ideas(word) for word in (words[:-1] if last and last not in _lexicon() else words)]
    if last in _lexicon():
        ways[-1] = ways[-1] | {"FILL"}
    readings = {_settled(one) for one in islice(product(*map(sorted, ways)), MOST_READINGS)}
    return Header(readings=tuple(sorted(readings, key=sorted)), unit=unit, languages=_languages(words))


@cache
def correction_ideas(title: str) -> frozenset[str]:
    """The ideas that a correction's title names, understood as English."""
    text, _ = _without_unit(unicodedata.normalize("NFKC", re.sub(r"\([^)]*\)", "", title)))
    return _settled(min(_ideas(word) & _english(word) or _ideas(word)) for word in _words(text))


def core(ideas: frozenset[str]) -> frozenset[str]:
    """Ideas without 'correction', which goes without saying where they are not those of a fuel trim."""
    return ideas if ideas & {"LONG", "SHORT"} else ideas - {"TRIM"}


def _settled(ideas: Iterable[str]) -> frozenset[str]:
    """Ideas without those that go without saying, and with those that others imply."""
    single = (part for idea in ideas for part in idea.split("+"))
    found = {part for idea in single for part in SPELT_OUT.get(idea, (idea,))} - UNSAID
    if found & {"LONG", "SHORT"} and found & {"TRIM", "FUEL"}:
        found |= {"TRIM", "FUEL"}
        if any(idea.isdigit() for idea in found) and "CYLINDER" not in found:
            found.add("BANK")
    if found & REGIONS:
        found.discard("LOAD")
    return frozenset(found)


def _without_unit(text: str) -> tuple[str, str]:
    for form in (BRACKETS, AFTER_COMMA):
        if found := form.search(text):
            said = found[1].strip()
            unit = FOREIGN_UNITS.get(said.casefold(), said if is_unit(said) else UNIT_WORDS.get(said.casefold(), said))
            if unit and not unit.isdigit() and is_unit(unit):
                return text[: found.start()], unit
    return text, ""


def _words(text: str) -> list[str]:
    text = re.sub(r"\b(?:[^\W\d_]\.){2,}", lambda found: found[0].replace(".", ""), text)
    text = re.sub(r"(?i)\b(s)/(n)\b", r"\1\2", text).replace("#", " nr ").replace("№", " nr ")
    whole = re.findall(r"[^\W_]+\.?", text)
    parted = [
        part for word in whole for part in ([word] if fold(word.rstrip(".")) in _lexicon() else _by_capitals(word))
    ]
    found: list[str] = []
    for word in parted:
        plain = fold(word.rstrip("."))
        if plain in _lexicon():
            found.append(plain)
        else:
            found += [part for part in re.findall(r"\d+|\D+", plain) if part] if not word.endswith(".") else [
                _spelt_out(plain)
            ]  # fmt: skip
    return found


def _by_capitals(word: str) -> list[str]:
    """The parts of a word that capitals part, as in coolantTempC."""
    return re.sub(r"([a-zà-ÿ])([A-Z])", r"\1 \2", word).split()


def fold(text: str) -> str:
    """Lower case without accents."""
    parts = unicodedata.normalize("NFD", text.casefold()).translate(FOLDED)
    return unicodedata.normalize("NFC", "".join(c for c in parts if not ("\u0300" <= c <= "\u036f")))


def _spelt_out(short: str) -> str:
    """A word that was cut short with a full stop, as far as one idea alone begins so."""
    found = {word for word in _lexicon() if word.startswith(short)} if len(short) >= LEAST_PART else set()
    ideas = {frozenset(_lexicon()[word]) for word in found}
    return min(found) if len(ideas) == 1 else short


def _ideas(word: str) -> frozenset[str]:
    """The ideas a word can stand for: alternatives, each one idea; `A+B` where glued words name two."""
    if word in _lexicon():
        return frozenset(_lexicon()[word])
    if word == "b":
        return frozenset({"BANK"})
    parts = _parted(word)
    if not parts:
        return frozenset({word})
    ways = [sorted(_lexicon()[part]) for part in parts]
    return frozenset("+".join(way) for way in islice(product(*ways), MOST_READINGS))


def _parted(word: str) -> list[str] | None:
    """The known words that a word is glued of, fewest first; None: it is not."""
    best: dict[int, list[str]] = {0: []}
    for end in range(1, len(word) + 1):
        for begin in range(end):
            part = word[begin:end]
            long_enough = len(part) >= LEAST_PART or part in SHORT_PARTS or ord(part[0]) >= IDEOGRAPHS
            if begin not in best or part not in _lexicon() or not long_enough:
                continue
            for link in LINKS:
                stop = end + len(link)
                if word[end:stop] == link and (stop not in best or len(best[stop]) > len(best[begin]) + 1):
                    best[stop] = [*best[begin], part]
    return best.get(len(word))


def _english(word: str) -> frozenset[str]:
    return frozenset(idea for idea, languages in _lexicon().get(word, {}).items() if languages & {"any", "en"})


def _languages(words: Iterable[str]) -> frozenset[str]:
    every = [set().union(*_lexicon()[word].values()) for word in words if word in _lexicon()]
    telling = [languages for languages in every if "any" not in languages]
    return frozenset.intersection(*map(frozenset, telling)) if telling else frozenset()


@cache
def _lexicon() -> dict[str, dict[str, set[str]]]:
    """By word, the ideas it can stand for, each with the languages."""
    found: dict[str, dict[str, set[str]]] = {}
    for row in _rows("header_words.csv"):
        for language, words in row.items():
            for word in words.split() if language != "concept" else ():
                found.setdefault(fold(word), {}).setdefault(row["concept"], set()).add(language)
    return found


@cache
def _meanings() -> tuple[Meaning, ...]:
    return tuple(
        Meaning(
            column=row["column"], required=frozenset(row["required"].split()),
            optional=frozenset(row["optional"].split()),
        )
        for row in _rows("header_meanings.csv")
    )  # fmt: skip


def _rows(name: str) -> Iterator[dict[str, str]]:
    with files("pipelines.intake").joinpath(name).open(encoding="utf-8") as lines:
        yield from csv.DictReader(lines)
