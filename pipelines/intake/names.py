"""Names among the cells of a table, held against what a name may be and against those that are known already."""

from dataclasses import dataclass, field

import polars as pl

from pipelines.catalogue.names import name_refusals, naming_columns, spelt_alike
from pipelines.intake.limits import Limits

CODES = {("corrections", "code"), ("readings", "correction")}  # where names of corrections stand, which become columns


@dataclass(kw_only=True)
class Names:
    """What names may be, and the corrections that are known.

    limits: How long a name may be, and how many corrections there may be.
    spelling: Of each known correction, by its name in lower case; what a load brings is added.
    """

    limits: Limits = field(default_factory=Limits)
    spelling: dict[str, str] = field(default_factory=dict)

    def refused(self, values: pl.Series, table: str, column: str) -> list[tuple[pl.Series, str]]:
        """Where a column's cells are no names that it can have, and why; nothing of a column that holds no names."""
        if column not in naming_columns() or values.dtype != pl.String:
            return []
        codes = (table, column) in CODES
        found = name_refusals(values, codes=codes, longest=self.limits.name_chars)
        told = [(values.is_in(part["name"].implode()), reason) for (reason,), part in found.group_by("reason")]
        return told + (self._among_known(values, table, found["name"]) if codes else [])

    def _among_known(self, values: pl.Series, table: str, refused: pl.Series) -> list[tuple[pl.Series, str]]:
        sound = values.filter(~values.is_in(refused.implode())).unique(maintain_order=True).drop_nulls()
        told = []
        for name in sound if table == "corrections" else ():
            known = self.spelling.setdefault(name.casefold(), name)
            if known != name:
                told.append((values == name, f"differs by case alone from {known}, which is known already"))
        new = [name for name in sound if name.casefold() not in self.spelling]
        room = max(self.limits.columns - len(self.spelling), 0)
        if len(new) > room:
            beyond = pl.Series(new[room:], dtype=pl.String)
            told.append((values.is_in(beyond.implode()), f"more than {self.limits.columns} corrections are named"))
        return told

    def respelt(self, rows: pl.DataFrame, table: str) -> pl.DataFrame:
        """Rows whose corrections are spelt as they are known; what differs by case alone is one correction."""
        if table != "readings" or "correction" not in rows.columns:
            return rows
        return rows.with_columns(spelt_alike(rows["correction"], self.spelling))
