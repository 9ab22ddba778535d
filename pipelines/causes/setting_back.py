"""Which corrections are set back after the work on a cause, and how long they learn anew; catalogue in."""

from collections.abc import Collection
from dataclasses import dataclass
from fnmatch import fnmatchcase

import polars as pl

from pipelines.causes.hypotheses import EngineLayout, hypotheses
from pipelines.causes.knowledge import Cause

LEARNED = 3.0  # time constants after which a twentieth of the way is left: 1 - exp(-3) is 95 %
STRONG = 0.25  # share of its way from which a correction tells whether the work did what it should (judgement)


@dataclass(frozen=True, kw_only=True)
class Relearning:
    """Corrections that learn in one region: their titles, and the hours of driving there until they can be read."""

    region: str
    titles: tuple[str, ...]
    hours: float

    def words(self) -> str:
        """'closed loop, warm idle: about 6 hours (Additive idle fuel offset, bank 1)'."""
        many = f"about {self.hours:.0f} hours" if self.hours >= 2 else "an hour" if self.hours > 0.5 else "minutes"
        return f"{self.region}: {many} ({', '.join(self.titles)})"


def set_back(cause: Cause, bank: int | None, corrections: pl.DataFrame) -> pl.DataFrame:
    """Rows of the catalogue that are set back after the work on a cause, in its order.

    Args:
        cause: Which one.
        bank: The one that was worked on; None: not known, or the whole engine.
        corrections: Catalogue rows that this engine has.
    """
    patterns = [pattern.replace("{bank}", str(bank) if bank else "*") for pattern in cause.set_back]
    meant = [code for code in corrections["code"] if any(fnmatchcase(code, pattern) for pattern in patterns)]
    return corrections.filter(pl.col("code").is_in(meant))


def moved_by(
    cause: Cause, *, bank: int | None, cylinder: int | None, layout: EngineLayout, codes: Collection[str]
) -> list[str]:
    """Corrections that show a cause at one place plainly, what it moves most first; of an unknown place, at any."""
    names = tuple(codes)
    share = [0.0] * len(names)
    for hypothesis in hypotheses(names, layout):
        elsewhere = (bank and hypothesis.bank not in {None, bank}) or (cylinder and hypothesis.cylinder != cylinder)
        if hypothesis.cause.id == cause.id and not elsewhere:
            share = [max(most, abs(float(one))) for most, one in zip(share, hypothesis.share, strict=True)]
    order = sorted(range(len(names)), key=lambda c: (-share[c], names[c]))
    return [names[c] for c in order if share[c] >= STRONG]


def relearning(rows: pl.DataFrame) -> list[Relearning]:
    """How corrections learn anew, by region, the longest last.

    Args:
        rows: Rows of the catalogue; those that do not say where they learn are left out.
    """
    title = pl.col("title").fill_null(pl.col("code")).str.replace(r"(.)\s*\([^()]*\)$", "${1}")
    where = pl.concat_str(
        "learn_when", pl.format(" ({})", pl.when(pl.col("learn_when").str.contains("this")).then("region")),
        ignore_nulls=True,
    )  # fmt: skip
    grouped = (
        rows.drop_nulls(["learn_when", "learn_hours"])
        .with_columns(title=title, where=where)
        .group_by("where", maintain_order=True)
        .agg(titles=pl.col("title"), hours=LEARNED * pl.col("learn_hours").max())
        .sort("hours", "where")
    )
    return [Relearning(region=where, titles=tuple(titles), hours=hours) for where, titles, hours in grouped.iter_rows()]
