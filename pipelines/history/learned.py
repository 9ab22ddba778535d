"""What the stage history learned of some vehicles, for others of their families."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.handover import Float64s

# Whether events of a kind reset, by all of the family's up to the end of a block; null: too few tell. One row a family
# ('': unknown), kind and block in which there were any.
HABITS = pl.Schema({"engine_family": pl.String(), "kind": pl.String(), "block": pl.Int64(), "habit": pl.Boolean()})


@dataclass(frozen=True, kw_only=True)
class FamilyLearned:
    """Of one family, by correction.

    scatter: [B] of one reading, as `reading_scatter.scatter`. repeats: [2] of how readily values repeat, as
    `stuck.readiness`.
    """

    scatter: Mapping[str, Float64s]
    repeats: Mapping[str, Float64s]


@dataclass(frozen=True, kw_only=True)
class Learned:
    """needed: [B] log-likelihood ratio that tells a reset. habits: Rows of `HABITS`. families: By name; '': unknown."""

    needed: Float64s
    habits: pl.DataFrame
    families: Mapping[str, FamilyLearned]

    @classmethod
    def nothing(cls) -> "Learned":
        """Before anything was learned."""
        return cls(needed=np.zeros(0), habits=pl.DataFrame(schema=HABITS), families={})

    def and_(self, own: "Learned") -> "Learned":
        """With what was learned after it: nothing of families that are known."""
        ours = ~pl.col("engine_family").is_in(list(self.families))
        return Learned(
            needed=self.needed if self.needed.size else own.needed,
            habits=pl.concat([self.habits, own.habits.filter(ours)]),
            families={**own.families, **self.families},
        )

    def scatter_of(self, code: str, names: Mapping[str, int]) -> dict[int, Float64s]:
        """That of a correction in the families that are known, by their places in `names`."""
        return {
            names[name]: family.scatter[code]
            for name, family in self.families.items()
            if name in names and code in family.scatter
        }

    def repeats_of(self, code: str, names: Mapping[str, int]) -> dict[int, Float64s]:
        """How readily it repeats, in the same way."""
        return {
            names[name]: family.repeats[code]
            for name, family in self.families.items()
            if name in names and code in family.repeats
        }


def at_block(by_block: Float64s, block: np.ndarray) -> Float64s:
    """What was learned for each of some blocks of time; after the last, what held then goes on."""
    at: Float64s = by_block[np.minimum(block, by_block.size - 1)]
    return at
