"""What was judged among all vehicles of a fleet, laid out for those of a part; frames alone."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import polars as pl

from pipelines.handover import HeldReadings


@dataclass(frozen=True, kw_only=True)
class Judged:
    """held: What is held. begun: Vehicles whose number was another one's before (`BEGUN_ANEW`), whatever the time."""

    held: HeldReadings
    begun: pl.DataFrame

    def of(self, vehicle_ids: Sequence[str]) -> "Judged":
        """What is said of some vehicles, and of those from whom readings go to them: small, to be sent along."""
        ours = pl.Series(vehicle_ids, dtype=pl.String)
        both = pl.concat([ours, self.lenders(ours)]).unique()
        theirs = pl.col("vehicle_id").is_in(both.implode())
        cells = self.held.cells.filter(theirs | pl.col("of").is_in(ours.implode()))
        held = replace(HeldReadings.none().having(self.held, vehicle_ids), cells=cells)
        return Judged(held=held, begun=self.begun.filter(theirs))

    def lenders(self, vehicle_ids: pl.Series) -> pl.Series:
        """Vehicles of which readings are these vehicles' own."""
        return self.held.cells.filter(pl.col("of").is_in(vehicle_ids.implode()))["vehicle_id"].unique()
