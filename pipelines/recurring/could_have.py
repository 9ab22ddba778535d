"""Which engine families could have a thing at all: panels, catalogue and cause knowledge in, families of each out."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.causes.affected import family_places
from pipelines.causes.knowledge import causes
from pipelines.handover import Drift


@dataclass(frozen=True, kw_only=True)
class CouldHave:
    """Families that can show each correction, cause and trouble code; what is not listed is possible anywhere."""

    families: Mapping[tuple[str, str], frozenset[str]]  # (kind, what) -> families

    def of(self, kind: str, what: str) -> frozenset[str] | None:
        """Families that could have it; None: nothing is known that would exclude one."""
        return self.families.get((kind, what))


READ = pl.Schema({"engine_family": pl.String(), "correction": pl.String(), "is_read": pl.Boolean()})


def read_of(drift: Drift) -> pl.DataFrame:
    """Rows of `READ`: the corrections of every family, in its order, and whether these vehicles read them."""
    rows = list[tuple[str, str, bool]]()
    for family in drift.families:
        is_read = np.atleast_1d(~np.isnan(family.panel.values).all(axis=0)).tolist()
        rows += [(family.panel.family, code, read) for code, read in zip(family.panel.codes, is_read, strict=True)]
    return pl.DataFrame(rows, schema=READ, orient="row")


def could_have(read: pl.DataFrame, *, corrections: pl.DataFrame, families: pl.DataFrame) -> CouldHave:
    """What each engine family can show, by what it reads and what is fitted to it.

    A correction is possible where it is read; a cause where its knowledge moves something that is read; a trouble code
    where a correction that sets it is read or a cause that sets it is possible. A code that neither names is possible
    anywhere.

    Args:
        read: From `read_of`.
        corrections: The catalogue.
        families: The drop table `families`.
    """
    found: dict[tuple[str, str], set[str]] = {}
    for (name,), rows in read.group_by("engine_family", maintain_order=True):
        family, codes = str(name), tuple(rows["correction"])
        places = family_places(codes, family, corrections=corrections, families=families)
        possible = [cause for cause, moved in places.by_cause.items() if moved.any()]
        there = rows["is_read"].arg_true().to_list()
        own = {("correction", codes[c]) for c in there} | {("cause", cause) for cause in possible}
        own |= {("code", code) for c in there for code in places.fault_codes[c]}
        own |= {("code", entry.code) for cause in possible for entry in causes()[cause].codes}
        for thing in own:
            found.setdefault(thing, set()).add(family)
    known = {("cause", cause) for cause in causes()} | {("correction", code) for code in corrections["code"]}
    return CouldHave(families={thing: frozenset(found.get(thing, set())) for thing in known | set(found)})
