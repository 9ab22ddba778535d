"""Which corrections a piece of work was about: catalogue and cause knowledge in, columns of a panel out."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipelines.causes.hypotheses import EngineLayout, engine_layout, hypotheses
from pipelines.causes.knowledge import causes
from pipelines.handover import Bools

WEAK_SHARE = 0.25  # corrections that a cause moves by less of their way are not asked about it (judgement)


@dataclass(frozen=True, kw_only=True)
class FamilyPlaces:
    """For one family: which correction belongs to which component, bank, cylinder and cause."""

    codes: tuple[str, ...]
    bank: tuple[int | None, ...]  # [C]; a cylinder's correction has its bank
    cylinder: tuple[int | None, ...]  # [C]
    by_component: Mapping[str, Bools]  # [C] each
    by_cause: Mapping[str, Bools]  # [C] each
    fault_codes: tuple[frozenset[str], ...]  # [C], codes that a correction sets at either limit

    def asked(self, work: Mapping[str, Any]) -> Bools:
        """Corrections that tell whether this work did what it should, [C].

        Those of its recorded cause; else those of its component and of the causes that sit in that component. Where
        the work names a bank or cylinder, corrections of another are left out.
        """
        component = work["component"] or ""
        known = [cause for cause in causes().values() if component in cause.components]
        if work["cause"] in self.by_cause:
            wanted = self.by_cause[work["cause"]].copy()
        else:
            wanted = np.zeros(len(self.codes), dtype=bool)
            for cause in known:
                wanted |= self.by_cause[cause.id]
        if component in self.by_component:
            wanted |= self.by_component[component]
        elsewhere = [
            bool(
                (work["bank"] and bank and bank != work["bank"])
                or (work["cylinder"] and cylinder and cylinder != work["cylinder"])
            )
            for bank, cylinder in zip(self.bank, self.cylinder, strict=True)
        ]
        return np.asarray(wanted & ~np.array(elsewhere, dtype=bool))


def family_places(
    codes: tuple[str, ...], family: str, *, corrections: pl.DataFrame, families: pl.DataFrame
) -> FamilyPlaces:
    """The places of one family's corrections.

    Args:
        codes: Corrections that the family reads, C of them; they set the order.
        family: Its name.
        corrections: The catalogue.
        families: The drop table `families`.
    """
    rows = {row["code"]: row for row in corrections.filter(pl.col("code").is_in(codes)).to_dicts()}
    read = [rows[code] for code in codes]
    layout = engine_layout(families, family, corrections.filter(pl.col("code").is_in(codes)))
    parts = [set((row["component"] or "").split("|")) - {""} for row in read]
    return FamilyPlaces(
        codes=codes,
        bank=tuple(row["bank"] or layout.bank_of_cylinder.get(row["cylinder"]) for row in read),
        cylinder=tuple(row["cylinder"] for row in read),
        by_component={
            component: np.array([component in part for part in parts]) for component in sorted(set().union(*parts))
        },
        by_cause=_by_cause(codes, layout),
        fault_codes=tuple(
            frozenset(code for side in ("fault_high", "fault_low") for code in (row[side] or "").split("|") if code)
            for row in read
        ),
    )


def _by_cause(codes: tuple[str, ...], layout: EngineLayout) -> dict[str, Bools]:
    moved: dict[str, Bools] = {cause: np.zeros(len(codes), dtype=bool) for cause in causes()}
    for hypothesis in hypotheses(codes, layout):
        moved[hypothesis.cause.id] |= np.abs(hypothesis.share) >= WEAK_SHARE
    return moved
