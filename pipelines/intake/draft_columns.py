"""Which columns of a foreign file are which of the contract's: by headers, exact names, and their cells."""

import csv
import re
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files

import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.intake.blocks import BOOKKEEPING
from pipelines.intake.casting import GROUPED, Reading, cast, is_empty
from pipelines.intake.draft_cells import Fit, Target, fit
from pipelines.intake.headers import Header, core, correction_ideas, fold, read_header
from pipelines.intake.mapping import MappedColumn

TIME_COLUMN = "read_at"  # what headers of times mean, whatever the table calls it
WORDS_OF_VEHICLES = ("VEHICLE", "PLATE", "DEVICE", "VIN")  # the first that a file has names them
WITHOUT_BANK = {frozenset({"LONG", "FUEL", "TRIM"}): "ltft_b1", frozenset({"SHORT", "FUEL", "TRIM"}): "stft_b1"}
NUMBER = r"^\s*[-+]?\d[\d.,]*(?:\s*[^\d\s.,].*)?$"
INSIDE = re.compile(r"\w+(\.\w+)+")  # the way to a cell inside objects
MOST_WORDS = 6  # distinct texts of a column that says yes or no


@dataclass(kw_only=True)
class Found:
    """What the columns of a file are.

    columns: Those that become one of the contract's, times aside.
    times: Columns that can hold the time, with the unit of their headers.
    seconds: Columns in seconds whose headers are not understood: the time where nothing else is.
    roles: Columns that a log or a long form needs, by role (`~rpm`).
    assumed: Columns whose unit was read off their values alone.
    languages: In which the headers are all known, English among them where it can be; empty: no header tells.
    units: That headers say.
    said: What was taken for granted.
    """

    columns: list[MappedColumn] = field(default_factory=list)
    times: dict[str, str] = field(default_factory=dict)
    seconds: dict[str, str] = field(default_factory=dict)
    roles: dict[str, str] = field(default_factory=dict)
    assumed: set[str] = field(default_factory=set)
    languages: frozenset[str] = frozenset()
    units: set[str] = field(default_factory=set)
    said: list[str] = field(default_factory=list)


def decimal_sign(cells: pl.DataFrame, *, comma: bool) -> str:
    """A comma where some numbers have decimal commas and the dots of others must group thousands; else not said."""
    if not comma:
        return ""
    texts = [cells[name].drop_nulls().str.strip_chars() for name in cells.columns if cells[name].dtype == pl.String]
    numbers = [column.filter(column.str.contains(NUMBER)).str.extract(r"^([-+]?[\d.,]*\d)") for column in texts]
    commas = any(bool(column.str.contains(r"^[-+]?\d+,\d+$").any()) for column in numbers)
    grouped = any(bool(column.str.contains(GROUPED).any()) for column in numbers)
    points = any(
        bool((column.str.contains(r"^[-+]?\d*\.\d+$") & ~column.str.contains(GROUPED)).any()) for column in numbers
    )
    return "," if commas and grouped and not points else ""


def find_columns(
    cells: pl.DataFrame, known: dict[str, Target], catalogue: pl.DataFrame, table: str, how: Reading
) -> Found:
    """What the columns of a file are; a column whose header, unit and cells do not agree is none.

    Args:
        cells: Of the file, by its headers.
        known: What columns can become.
        catalogue: Corrections: code, title.
        table: The contract's table.
        how: How numbers are written.
    """
    headers = _headers(cells)
    names, banked = list(headers), _banked(headers)
    meanings = set().union(*(header.meanings() for header in headers.values())) if headers else set()
    long = {"~parameter", "~value"} <= meanings
    numbered = any({"vehicle_id", "vin"} & header.meanings() == {"vehicle_id"} for header in headers.values())
    found = Found(languages=_common([header.languages for header in headers.values() if header.languages]))
    taken: dict[str, list[tuple[str, Fit]]] = {}
    for name, header in headers.items():
        found.units |= {header.unit} - {""}
        meant = _meant(name, header, known, catalogue, banked=banked)
        meant = _vin_or_number(meant, known, numbered=numbered) | ({"~rpm"} if header.unit == "rpm" else set())
        meant = meant & {"~unit"} or meant if long else meant
        for role in sorted(each for each in meant if each.startswith("~")):
            found.roles.setdefault(role, name)
        if TIME_COLUMN in meant:
            found.times[name] = header.unit
        elif header.unit in ("s", "sec", "ms") and not meant:
            found.seconds[name] = header.unit
        fits_of = {
            to: fitted for to in sorted(meant & set(known) - {TIME_COLUMN})
            if known[to].kind not in ("time", "date")
            and (fitted := fit(cells[name], known[to], header.unit, how, readings=header.readings))
            and (known[to].kind != "bool" or _says_yes_or_no(cells[name]) is not None)
        }  # fmt: skip
        to = _one_of(fits_of, table)
        if to:
            taken.setdefault(to, []).append((name, fits_of[to]))
    _fractions_alike(taken, known)
    for to, sources in taken.items():
        single = sources[0][0] if len(sources) == 1 or to == "engine_family" else ""
        name = _first_named(sources, headers) if to == "vehicle_id" else single
        if not name:
            found.said.append(f"{', '.join(source for source, _ in sources)} could all be {to}: none is taken.")
            continue
        fitted = dict(sources)[name]
        found.columns.append(_column(name, headers[name], fitted, cells[name], known[to]))
        if fitted.assumed:
            found.assumed.add(name)
        if to in WITHOUT_BANK.values() and set(headers[name].readings) & set(WITHOUT_BANK):
            found.said.append(f"'{name}' names no bank: bank 1 is taken.")
    found.columns.sort(key=lambda column: names.index(column.source))
    return found


def _vin_or_number(meant: set[str], known: dict[str, Target], *, numbered: bool) -> set[str]:
    """A VIN in a list of vehicles is one where another column numbers them, and else their number."""
    both = {"vin", "vehicle_id"} <= meant & set(known)
    return meant - ({"vehicle_id"} if numbered else {"vin"}) if both else meant


def meanings_of(cells: pl.DataFrame, known: dict[str, Target], catalogue: pl.DataFrame) -> dict[str, set[str]]:
    """What each header of a file can mean, whatever its cells are."""
    headers = _headers(cells)
    banked = _banked(headers)
    return {name: _meant(name, header, known, catalogue, banked=banked) for name, header in headers.items()}


def _headers(cells: pl.DataFrame) -> dict[str, Header]:
    return {name: read_header(name) for name in cells.columns if name not in BOOKKEEPING}


def _banked(headers: dict[str, Header]) -> bool:
    """Whether any trim is said to be of a bank."""
    return any({"FUEL", "TRIM", "BANK"} <= ideas for header in headers.values() for ideas in header.readings)


def _fractions_alike(taken: dict[str, list[tuple[str, Fit]]], known: dict[str, Target]) -> None:
    """Where one correction in per cent comes as fractions, others of the file that are as small come so, too."""
    per_cent = [to for to in taken if known[to].kind == "correction" and known[to].unit == "%"]
    if any(fitted.unit == "1" for to in per_cent for _, fitted in taken[to]):
        for to in per_cent:
            taken[to] = [(name, Fit(unit="1", assumed=True) if each.small else each) for name, each in taken[to]]


def _common(languages: list[frozenset[str]]) -> frozenset[str]:
    """The languages in which most headers are known."""
    counts = {each: sum(each in some for some in languages) for each in set().union(*languages)} if languages else {}
    most = max(counts.values(), default=0)
    return frozenset(each for each, count in counts.items() if count == most)


def _meant(name: str, header: Header, known: dict[str, Target], catalogue: pl.DataFrame, *, banked: bool) -> set[str]:
    """What a header can mean: the name itself, the contract's columns, the corrections of that title.

    Of the way to a cell inside objects (`engine.trims.ltft_b1`) the end counts, where the whole says nothing.
    """
    plain = re.sub(r"[\s.-]+", "_", name.strip()).casefold()
    exact = {each.casefold(): each for each in known}
    if plain in exact:
        return {TIME_COLUMN if known[exact[plain]].kind == "time" else exact[plain]}
    meant = header.meanings()
    ideas = {core(each) for each in header.readings}
    titles = catalogue.select("code", pl.col("title").fill_null("")).iter_rows()
    codes = {code for code, title in titles if title and core(correction_ideas(title)) in ideas}
    if not codes and not banked:
        codes = {code for few, code in WITHOUT_BANK.items() if few in header.readings and code in known}
    found = meant | (codes if not meant & set(known) else set())
    if not found and INSIDE.fullmatch(name):
        inner = name.partition(".")[2]
        return _meant(inner, read_header(inner), known, catalogue, banked=banked)
    return found


def _one_of(fits_of: dict[str, Fit], table: str) -> str:
    """The one target that a column fits; empty: none, or several that are of the same kind."""
    own = [to for to in fits_of if to in drop_tables()[table].schema]
    choice = own or list(fits_of)
    return choice[0] if len(choice) == 1 else ""


def _first_named(sources: list[tuple[str, Fit]], headers: dict[str, Header]) -> str:
    """Of several columns that name the vehicle, the one with its number in the fleet, then its plate."""
    for word in WORDS_OF_VEHICLES:
        for name, _ in sources:
            if any(word in ideas for ideas in headers[name].readings):
                return name
    return sources[0][0]


def _column(name: str, header: Header, fitted: Fit, cells: pl.Series, target: Target) -> MappedColumn:
    to = target.name
    unit = fitted.unit
    if to == "odometer_km" and not unit:
        unit = "mile" if all("MILES" in ideas for ideas in header.readings) else ""
    if target.kind == "bool":
        words = _says_yes_or_no(cells) or {}
        return MappedColumn(to=to, source=name, true=words.get("yes", ()), false=words.get("no", ()))
    return MappedColumn(to=to, source=name, unit="" if unit == target.unit else unit)


def _says_yes_or_no(cells: pl.Series) -> dict[str, tuple[str, ...]] | None:
    """The texts that mean yes and no; empty: as every drop writes them; None: the column says something else."""
    filled = cells.filter(~is_empty(cells, "bool"))
    if filled.is_empty():
        return None
    if cast(filled, "bool", Reading()).null_count() == 0:
        return {}
    texts = filled.cast(pl.String).str.strip_chars().unique(maintain_order=True).to_list()
    said = {text: _yes_or_no().get(fold(text)) for text in texts[: MOST_WORDS + 1]}
    if len(texts) > MOST_WORDS or None in said.values():
        return None
    return {word: tuple(text for text, meant in said.items() if meant == word) for word in ("yes", "no")}


@cache
def _yes_or_no() -> dict[str, str]:
    with files("pipelines.intake").joinpath("yes_no.csv").open(encoding="utf-8") as lines:
        return {fold(word): row["says"] for row in csv.DictReader(lines) for word in row["words"].split()}
