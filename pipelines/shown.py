"""What readings show of their vehicles, in small frames, from which a fleet is parted; readings in, frames out."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipelines.history.reading_rows import days


@dataclass(frozen=True, kw_only=True)
class Shown:
    """Of some vehicles, or of all.

    vehicles: `vehicle_id`, `len` (how many readings), and of each correction that any reads whether this one ever did.
    calibrations: `vehicle_id, before` (null: it was the first), `now`: each pair that follow each other, once.
    first_day: Of the first reading, days since 1970; infinite: there is none.
    """

    vehicles: pl.DataFrame
    calibrations: pl.DataFrame
    first_day: float

    @classmethod
    def by(cls, readings: pl.DataFrame, codes: Sequence[str]) -> "Shown":
        """By readings, sorted by vehicle and time, of corrections with these codes."""
        read = [code for code in codes if code in readings.columns]
        now = pl.col("calibration").forward_fill().over("vehicle_id").fill_null("")
        told = readings.select("vehicle_id", now=now).with_columns(before=pl.col("now").shift(1).over("vehicle_id"))
        first = days(readings["read_at"]).min(initial=float("inf"))
        return cls(
            vehicles=readings.group_by("vehicle_id", maintain_order=True).agg(
                pl.len(), (pl.col(read).is_not_nan() & pl.col(read).is_not_null()).any()
            ),
            calibrations=told.select("vehicle_id", "before", "now").unique(maintain_order=True),
            first_day=float(first),
        )

    @classmethod
    def together(cls, parts: "Sequence[Shown]") -> "Shown":
        """Of all vehicles of some parts; a vehicle may be in two."""
        vehicles = pl.concat([part.vehicles for part in parts], how="diagonal")
        flags = pl.exclude("vehicle_id", "len").fill_null(value=False)
        return cls(
            vehicles=vehicles.group_by("vehicle_id", maintain_order=True).agg(pl.col("len").sum(), flags.any()),
            calibrations=pl.concat([part.calibrations for part in parts]),
            first_day=min(part.first_day for part in parts),
        )

    @property
    def codes(self) -> list[str]:
        """Corrections that any vehicle reads."""
        flags = self.vehicles.drop("vehicle_id", "len")
        return [name for name in flags.columns if flags[name].any()]

    @property
    def readings(self) -> int:
        """How many there are."""
        return int(self.vehicles["len"].sum())

    @property
    def cells(self) -> int:
        """Readings times corrections."""
        return self.readings * len(self.codes)
