"""What a judge found: some readings of some columns that are not what they say, and what they look like."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipelines.handover import Int64s
from pipelines.held.slips import Slip

MISREAD = "single misread values"
REPEATED = "old values repeated"
EXCHANGED = "exchanged with "
FOREIGN = "the history of "


Batch = tuple[int, str, str]  # load_id, depot, what it looks like


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Cells of one file and depot that look like one thing.

    Attributes:
        looks_like: A unit, or words.
        load_id: The file that they came in.
        depot: Of the vehicles; empty: none.
        cells: Column -> rows; empty: whole readings, since whose they are is in doubt.
        rows: [n] All rows of the held cells.
        sure: How much more likely than what they say, as a logarithm.
        slip: How they are righted, if it is a unit.
        belongs_to: [n] vehicle_id that each row is of, if vehicles were exchanged.
        about: vehicle_id, where a finding is about one and not about all of a file and depot.
    """

    looks_like: str
    load_id: int
    depot: str
    rows: Int64s
    sure: float
    cells: dict[str, Int64s]
    slip: Slip | None = None
    belongs_to: pl.Series | None = None
    about: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether whole readings are held."""
        return not self.cells

    def by_column(self, every: Sequence[str]) -> dict[str, Int64s]:
        """Column -> rows; of whole readings, each of `every` column."""
        return self.cells or dict.fromkeys(every, self.rows)

    @property
    def answers(self) -> tuple[str, ...]:
        """What a person may decide."""
        can_convert = self.slip is not None or self.belongs_to is not None
        return ("convert", "keep", "leave_out") if can_convert else ("keep", "leave_out")

    @property
    def needs_decision(self) -> bool:
        """Whether it waits for one; if not, it is only left out."""
        return self.looks_like != MISREAD
