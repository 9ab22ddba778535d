"""The knowledge laid out on one engine family: every cause at every place, as rows over its corrections."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import polars as pl

from pipelines.causes.knowledge import Cause, CodeEntry, SignatureEntry, Variant, causes
from pipelines.handover import Bools, Float64s

SECOND_BANK = "bank2"  # the catalogue's word; counting the banks tells it surer than what is said to be fitted
LEAST_SPREAD = 0.5  # of an entry's spread, however small a share of it falls on one cylinder (judgement)


@dataclass(frozen=True, kw_only=True)
class EngineLayout:
    """Which cylinders an engine family has, on which bank each sits, and what is fitted to it."""

    bank_of_cylinder: dict[int, int]
    fitted: frozenset[str] = frozenset()  # equipment it is known to have
    lacking: frozenset[str] = frozenset()  # equipment it is known to lack

    def may_show(self, variant: Variant) -> bool:
        """Whether an engine so equipped can show a cause in this variant."""
        return not (variant.with_equipment & self.lacking or variant.without_equipment & self.fitted)

    @property
    def banks(self) -> list[int]:
        """Numbers of its banks."""
        return sorted(set(self.bank_of_cylinder.values()))

    def on_bank(self, bank: int) -> list[int]:
        """Cylinders of a bank."""
        return [cylinder for cylinder, of in self.bank_of_cylinder.items() if of == bank]


@dataclass(frozen=True, kw_only=True)
class Hypothesis:
    """One cause in one variant at one place; bank and cylinder as they are reported (None: the cause has none)."""

    cause: Cause
    variant: Variant
    bank: int | None
    cylinder: int | None
    prior: float  # share of the cause's own prior
    codes: tuple[CodeEntry, ...]
    share: Float64s  # [C], signed share of each correction's way at full severity
    spread: Float64s  # [C], standard deviation of that share; 0: not named
    absent: Float64s  # [C], share of cases that do not show it
    scatter: Float64s  # [C], log of the factor by which it scatters more; 0: no more

    @cached_property
    def named(self) -> Bools:
        """Which corrections it moves, [C]."""
        moved: Bools = self.spread > 0
        return moved

    @cached_property
    def size(self) -> Float64s:
        """Size of each share, [C]."""
        size: Float64s = np.abs(self.share)
        return size

    @cached_property
    def code_names(self) -> frozenset[str]:
        """The trouble codes it may set."""
        return frozenset(entry.code for entry in self.codes)


def engine_layout(families: pl.DataFrame, family: str, corrections: pl.DataFrame) -> EngineLayout:
    """Cylinders and banks of a family: from its row, else from the places its corrections name.

    Args:
        families: The drop table `families`.
        family: Name of the engine family.
        corrections: Catalogue rows of the corrections that this family reads.

    Returns:
        The layout; a family that says nothing and reads nothing per cylinder has one bank and no cylinder. Where the
        bank of a cylinder is not told, the first half of the cylinders is taken to be bank 1.
    """
    rows = families.filter(pl.col("engine_family") == family).to_dicts()
    row = rows[0] if rows else {}
    needed = {word for needs in corrections["needs"].drop_nulls() for word in needs.split("|") if word}
    said = set((row.get("fitted") or "").split())
    known = {
        word for cause in causes().values() for v in cause.variants for word in v.with_equipment | v.without_equipment
    }
    bank_of_cylinder = _banks_of_cylinders(row, corrections)
    one_bank = len(set(bank_of_cylinder.values())) == 1
    unsaid = {word for word in known if said and word and word not in said and word != SECOND_BANK}
    return EngineLayout(
        bank_of_cylinder=bank_of_cylinder,
        fitted=frozenset(said | needed),
        lacking=frozenset(unsaid | ({SECOND_BANK} if one_bank else set())),
    )


def _banks_of_cylinders(row: Mapping[str, Any], corrections: pl.DataFrame) -> dict[int, int]:
    if told := row.get("bank_of_cylinder"):
        pairs = (pair.split(":") for pair in told.split())
        return {int(cylinder): int(bank) for cylinder, bank in pairs}
    cylinders = int(row.get("cylinders") or max(corrections["cylinder"].drop_nulls(), default=0))
    banks = int(row.get("banks") or max(corrections["bank"].drop_nulls(), default=1))
    if not cylinders:
        return {-bank: bank for bank in range(1, banks + 1)}
    return {cylinder: 1 + (cylinder - 1) * banks // cylinders for cylinder in range(1, cylinders + 1)}


def hypotheses(codes: tuple[str, ...], layout: EngineLayout) -> tuple[Hypothesis, ...]:
    """Every cause of the knowledge at every place this engine has it; laid out once for each kind of engine.

    Args:
        codes: The family's corrections, C.
        layout: Its cylinders and banks.
    """
    return _laid_out(codes, tuple(layout.bank_of_cylinder.items()), layout.fitted, layout.lacking)


@lru_cache(maxsize=64)
def _laid_out(
    codes: tuple[str, ...],
    bank_of_cylinder: tuple[tuple[int, int], ...],
    fitted: frozenset[str],
    lacking: frozenset[str],
) -> tuple[Hypothesis, ...]:
    layout = EngineLayout(bank_of_cylinder=dict(bank_of_cylinder), fitted=fitted, lacking=lacking)
    index = {code: position for position, code in enumerate(codes)}
    laid_out = []
    for cause in causes().values():
        variants = [variant for variant in cause.variants if layout.may_show(variant)]
        total = sum(variant.weight for variant in variants)
        for variant in variants:
            places = list(_places(variant, layout))
            for bank, cylinder in places:
                share, spread, absent, scatter = (np.zeros(len(codes)) for _ in range(4))
                for entry in variant.signature:
                    for code, factor in _named_corrections(entry, bank, cylinder, layout):
                        if code in index:
                            share[index[code]] = entry.share * factor
                            absent[index[code]] = entry.absent
                            scatter[index[code]] = np.log(entry.scatter)
                            spread[index[code]] = entry.spread * max(abs(factor), LEAST_SPREAD)
                laid_out.append(
                    Hypothesis(
                        cause=cause,
                        variant=variant,
                        bank=_reported_bank(cause, variant, bank, layout),
                        cylinder=cylinder,
                        prior=variant.weight / total / len(places),
                        codes=tuple(code for code in cause.codes if _may_set(code, bank, cylinder, layout)),
                        share=share,
                        spread=spread,
                        absent=absent,
                        scatter=scatter,
                    )
                )
    return tuple(laid_out)


def _places(variant: Variant, layout: EngineLayout) -> Iterator[tuple[int | None, int | None]]:
    if variant.place == "engine":
        yield None, None
    elif variant.place == "bank":
        yield from ((bank, None) for bank in layout.banks)
    else:
        yield from ((bank, cylinder if cylinder > 0 else None) for cylinder, bank in layout.bank_of_cylinder.items())


def _reported_bank(cause: Cause, variant: Variant, bank: int | None, layout: EngineLayout) -> int | None:
    """The bank to report; none on a single-bank engine for a cause that may as well concern the whole engine."""
    may_be_whole = variant.place == "bank" and any(other.place == "engine" for other in cause.variants)
    return None if may_be_whole and len(layout.banks) == 1 else bank


def _may_set(entry: CodeEntry, bank: int | None, cylinder: int | None, layout: EngineLayout) -> bool:
    """Whether a code that names a bank or cylinder names the one at hand."""
    if entry.cylinder is not None:
        return entry.cylinder == cylinder if cylinder is not None else entry.cylinder in layout.bank_of_cylinder
    return entry.bank is None or bank is None or entry.bank == bank


def _named_corrections(
    entry: SignatureEntry, bank: int | None, cylinder: int | None, layout: EngineLayout
) -> Iterator[tuple[str, float]]:
    """Codes that a signature entry means at this place, each with the factor of its scale."""
    cylinders = [number for number in layout.bank_of_cylinder if number > 0]
    same_bank = [number for number in cylinders if bank is None or layout.bank_of_cylinder[number] == bank]
    fillings: dict[str, list[int | None]] = {
        "{bank}": [bank],
        "{other_bank}": [other for other in layout.banks if other != bank],
        "{every_bank}": [*layout.banks],
        "{cylinder}": [cylinder],
        "{companion}": [number for number in same_bank if number != cylinder],
        "{other_cylinder}": [number for number in cylinders if number != cylinder],
        "{bank_cylinder}": [*same_bank],
        "{every_cylinder}": [*cylinders],
    }
    factor = _factor(entry.scale, n=max(len(same_bank), 1), N=max(len(cylinders), 1))
    slot = next((name for name in fillings if name in entry.correction), None)
    if slot is None:
        yield entry.correction, factor
        return
    yield from (
        (entry.correction.replace(slot, str(number)), factor) for number in fillings[slot] if number is not None
    )


def _factor(scale: str, *, n: int, N: int) -> float:
    return {
        "": 1.0,
        "1/n": 1 / n,
        "-1/n": -1 / n,
        "1-1/n": 1 - 1 / n,
        "1/N": 1 / N,
        "-1/N": -1 / N,
        "1-1/N": 1 - 1 / N,
    }[scale]
