"""The cause knowledge as objects: titles, checks, cautions, signatures and trouble codes, read from the data files.

Everything that is known about a cause stands in `causes.toml`, `checks.toml`, `signatures.csv`, `codes.csv`,
`regionless.csv` and `cautions.toml` beside this module; nothing here or in the ranking names a cause or a correction.
"""

import csv
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from re import fullmatch, sub
from types import MappingProxyType
from typing import Any

PLACES = ("engine", "bank", "cylinder")
SCALES = ("", "1/n", "-1/n", "1-1/n", "1/N", "-1/N", "1-1/N")


@dataclass(frozen=True, kw_only=True)
class SignatureEntry:
    """How one cause moves one kind of correction.

    Attributes:
        correction: Code with the place left open: `{bank}`, `{other_bank}`, `{every_bank}`, `{cylinder}`,
            `{companion}` (others of its bank), `{other_cylinder}` (others of the engine), `{bank_cylinder}` (all of
            the affected bank), `{every_cylinder}`.
        share: Signed share of the correction's own way from its centre to the limit on that side, at full severity.
        spread: Standard deviation of that share from one case of the cause to the next.
        absent: Share of cases that do not show it at all.
        scatter: Factor by which readings scatter more with it than in health; 1: no more.
        scale: Factor from the count of cylinders, n of the bank, N of the engine (`1/n`, `1-1/N`, ...); empty: 1.
    """

    correction: str
    share: float
    spread: float
    absent: float
    scatter: float
    scale: str


@dataclass(frozen=True, kw_only=True)
class Variant:
    """One way in which a cause shows (upwards or downwards, before or behind the plate, ...)."""

    name: str
    place: str  # what it happens to: engine, bank, cylinder
    weight: float  # share of the cause's cases; a cause's variants sum to 1
    with_equipment: frozenset[str]  # what an engine must have to show it in this way
    without_equipment: frozenset[str]  # what it must lack
    signature: tuple[SignatureEntry, ...]


@dataclass(frozen=True, kw_only=True)
class CodeEntry:
    """How often a trouble code (SAE J2012) is seen with a cause once it has set any; bank, cylinder: where it says."""

    code: str
    bank: int | None
    cylinder: int | None
    likelihood: float


@dataclass(frozen=True, kw_only=True)
class Caution:
    """What can hurt someone during a check."""

    id: str
    title: str
    text: str


@dataclass(frozen=True, kw_only=True)
class Check:
    """Something to look at, measure or ask, and what each result says.

    Attributes:
        id: Its name in tables and entries.
        title: What to do.
        minutes: Of one technician with the vehicle at hand.
        results: Id of each result -> what was found, in words.
        others: Chance of each result with any cause that is not named, or none; they sum to 1.
        tells: Cause -> the same with it.
    """

    id: str
    title: str
    minutes: float
    results: MappingProxyType[str, str]
    others: tuple[float, ...]
    tells: MappingProxyType[str, tuple[float, ...]]

    def chances(self, cause: str) -> tuple[float, ...]:
        """Chance of each result, in order, with a cause of the knowledge or any other."""
        return self.tells.get(cause, self.others)


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One cause: what it is called, where it sits, what to check and what tells it apart."""

    id: str
    title: str
    components: tuple[str, ...]  # likeliest first
    prior: float  # relative frequency among defects
    checks: tuple["Check", ...]  # in order, non-invasive first
    reset: str  # learned values to set back after the work
    set_back: tuple[str, ...]  # the corrections that this means; `*` any, `{bank}` the bank at hand
    relearning: str  # how they come back
    driven_by: str  # when it shows or grows
    cold: int  # 1: more in the cold, -1: more in warm weather, 0: neither
    by_km: bool  # it grows with kilometres, not with days
    sudden: float  # share of cases that begin as a step
    reaches_depots: bool  # it may come to most vehicles of a depot at once
    cautions: tuple[Caution, ...]
    apart: MappingProxyType[str, str]  # look-alike's id -> what tells the two apart
    variants: tuple[Variant, ...]
    codes: tuple[CodeEntry, ...]

    def moves(self, correction: str) -> bool:
        """Whether it moves a correction, at some place in some variant."""
        named = {entry.correction for variant in self.variants for entry in variant.signature}
        return any(fullmatch(sub(r"\{\w+\}", r"\\d+", code), correction) is not None for code in named)

    def apart_from(self, other: str) -> str | None:
        """What tells this cause from another, said from either side; None: nothing recorded."""
        return self.apart.get(other) or (causes()[other].apart.get(self.id) if other in causes() else None)


@cache
def cautions() -> MappingProxyType[str, Caution]:
    """All cautions by id."""
    entries = _toml("cautions.toml")
    return MappingProxyType({key: Caution(id=key, **entry) for key, entry in entries.items()})


@cache
def checks() -> MappingProxyType[str, Check]:
    """All checks by id, in the order of the file."""
    return MappingProxyType(
        {
            key: Check(
                id=key,
                title=entry["title"],
                minutes=float(entry["minutes"]),
                results=MappingProxyType(entry["results"]),
                others=tuple(entry["others"]),
                tells=MappingProxyType({cause: tuple(chances) for cause, chances in entry["tells"].items()}),
            )
            for key, entry in _toml("checks.toml").items()
        }
    )


@cache
def causes() -> MappingProxyType[str, Cause]:
    """All causes by id, in the order of the file."""
    signatures: dict[tuple[str, str], list[SignatureEntry]] = {}
    for row in _csv("signatures.csv"):
        entry = SignatureEntry(
            correction=row["correction"],
            share=float(row["share"]),
            spread=float(row["spread"]),
            absent=float(row["absent"]),
            scatter=float(row["scatter"] or 1),
            scale=row["scale"],
        )
        signatures.setdefault((row["cause"], row["variant"]), []).append(entry)
    signatures = {key: [*entries, *_wholes(entries)] for key, entries in signatures.items()}
    codes: dict[str, list[CodeEntry]] = {}
    for row in _csv("codes.csv"):
        place = {name: int(row[name]) if row[name] else None for name in ("bank", "cylinder")}
        entry_of_code = CodeEntry(code=row["code"], likelihood=float(row["likelihood"]), **place)
        codes.setdefault(row["cause"], []).append(entry_of_code)
    return MappingProxyType(
        {key: _cause(key, entry, signatures, tuple(codes.get(key, ()))) for key, entry in _toml("causes.toml").items()}
    )


@dataclass(frozen=True, kw_only=True)
class Whole:
    """A correction that is read without the region it was learned in: it is one of its parts, nobody knows which.

    Attributes:
        code: With a star where the bank stands.
        parts: The corrections of the regions, in the same way.
        unsaid: What it leaves open, as a part of a sentence.
    """

    code: str
    parts: tuple[str, ...]
    unsaid: str

    def stands_for(self, code: str) -> bool:
        """Whether a correction is this one, of whichever bank."""
        return fullmatch(self.code.replace("*", r"\d+"), code) is not None


@cache
def wholes() -> tuple[Whole, ...]:
    """Corrections without a region, and the parts that each may be."""
    rows = list(_csv("regionless.csv"))
    return tuple(
        Whole(
            code=code,
            parts=tuple(row["part"] for row in rows if row["whole"] == code),
            unsaid="".join(row["unsaid"] for row in rows if row["whole"] == code),
        )
        for code in dict.fromkeys(row["whole"] for row in rows)
    )


def _wholes(entries: list[SignatureEntry]) -> Iterator[SignatureEntry]:
    """Entries for corrections without a region: the mean of their parts, as uncertain as the parts differ."""
    for whole in wholes():
        found: dict[str, list[SignatureEntry]] = {}
        for entry in entries:
            for part in whole.parts:
                before, after = part.split("*")
                place = entry.correction.removeprefix(before).removesuffix(after)
                if entry.correction == f"{before}{place}{after}" and fullmatch(r"\{\w+\}|\d+", place):
                    found.setdefault(place, []).append(entry)
        for place, parts in found.items():
            shares = [entry.share for entry in parts] + [0.0] * (len(whole.parts) - len(parts))
            mean = sum(shares) / len(shares)
            apart = sum((share - mean) ** 2 for share in shares) / len(shares)
            within = sum(entry.spread**2 for entry in parts) / len(parts)
            yield SignatureEntry(
                correction=whole.code.replace("*", place),
                share=mean,
                spread=(within + apart) ** 0.5,
                absent=sum(entry.absent for entry in parts) / len(parts),
                scatter=max(entry.scatter for entry in parts),
                scale=parts[0].scale,
            )


def _cause(
    key: str,
    entry: dict[str, Any],
    signatures: dict[tuple[str, str], list[SignatureEntry]],
    codes: tuple[CodeEntry, ...],
) -> Cause:
    return Cause(
        id=key,
        title=entry["title"],
        components=tuple(entry["components"]),
        prior=entry["prior"],
        checks=tuple(checks()[check] for check in entry["checks"]),
        reset=entry["reset"],
        set_back=tuple(entry["set_back"]),
        relearning=entry["relearning"],
        driven_by=entry["driven_by"],
        cold=entry.get("cold", 0),
        by_km=entry.get("grows_by") == "km",
        sudden=entry["sudden"],
        reaches_depots=entry.get("reaches_depots", False),
        cautions=(cautions()["manufacturer_first"], *(cautions()[caution] for caution in entry["cautions"])),
        apart=MappingProxyType(entry["apart"]),
        variants=tuple(
            Variant(
                name=variant["name"],
                place=variant["place"],
                weight=variant["weight"],
                with_equipment=frozenset(variant.get("with", "").split()),
                without_equipment=frozenset(variant.get("without", "").split()),
                signature=tuple(signatures[key, variant["name"]]),
            )
            for variant in entry["variants"]
        ),
        codes=codes,
    )


def _toml(name: str) -> dict[str, Any]:
    return tomllib.loads(files("pipelines.causes").joinpath(name).read_text(encoding="utf-8"))


def _csv(name: str) -> Iterator[dict[str, str]]:
    yield from csv.DictReader(files("pipelines.causes").joinpath(name).read_text(encoding="utf-8").splitlines())
