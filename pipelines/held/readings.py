"""The readings as the judges of batches take them: arrays by row, each row with its file, depot and reader."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Float64s, Int64s
from pipelines.held.columns import ColumnFiles
from pipelines.held.levels import rough_levels, scatter

NOT_MEASURED = ("faults_read", "lamp_on", "warmups_since_clear")
COUNTERS = ("odometer_km", "ignition_hours", "km_since_clear")  # which run on, and have no level of their own
DAY = 86_400e6


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A column of numbers: its unit, and neutral, low and high limit, step (NaN or 0: not known)."""

    name: str
    unit: str
    is_correction: bool
    neutral: float = 0.0
    low: float = float("nan")
    high: float = float("nan")
    step: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Usual:
    """Level of each vehicle [V] (NaN: never read), the sigma of readings about it, and the least that this can be."""

    level: Float64s
    scale: float
    floor: float


@dataclass(frozen=True, kw_only=True)
class Readings:
    """R readings of V vehicles, sorted by vehicle, then time.

    Attributes:
        frame: Snapshots as they came, with `load_id` of the file of the circumstances and `readings_load_id` of the
            corrections (null: the same file).
        vehicles: vehicle_id, engine_family, depot of the contract's `vehicles`.
        catalogue: The corrections.
        apart: Columns of the frame that are in files and not in it; None: all are in it.
    """

    frame: pl.DataFrame
    vehicles: pl.DataFrame
    catalogue: pl.DataFrame
    apart: ColumnFiles | None = None

    @cached_property
    def start(self) -> Int64s:
        """[V + 1] first row of each vehicle."""
        if self.frame.is_empty():
            return np.zeros(1, np.int64)
        lengths = self.frame["vehicle_id"].rle().struct.field("len").to_numpy()
        return np.concatenate(([0], np.cumsum(lengths))).astype(np.int64)

    @cached_property
    def vehicle(self) -> Int64s:
        """[R] index of the vehicle."""
        return np.repeat(np.arange(len(self.start) - 1), np.diff(self.start))

    @cached_property
    def names(self) -> pl.Series:
        """[V] vehicle_id."""
        return self.frame["vehicle_id"].gather(self.start[:-1])

    @cached_property
    def day(self) -> Float64s:
        """[R] since 1970."""
        days: Float64s = self.frame["read_at"].dt.epoch("us").to_numpy() / DAY
        return days

    @cached_property
    def _of_vehicles(self) -> pl.DataFrame:
        known = self.vehicles.select("vehicle_id", "engine_family", pl.col("depot").fill_null(""))
        return pl.DataFrame({"vehicle_id": self.names}).join(known, on="vehicle_id", how="left", maintain_order="left")

    @cached_property
    def family(self) -> Int64s:
        """[V] index of the engine family."""
        return _numbered(self._of_vehicles["engine_family"])

    @cached_property
    def depots(self) -> pl.Series:
        """[V] depot; empty: none."""
        return self._of_vehicles["depot"].fill_null("")

    @cached_property
    def depot(self) -> Int64s:
        """[V] index of the depot."""
        return _numbered(self.depots)

    @cached_property
    def reader(self) -> Int64s:
        """[R] index of the device that read it; one for all that do not say."""
        return _numbered(self.column("reader")) if self.has("reader") else np.zeros(len(self.vehicle), int)

    def load(self, *, corrections: bool) -> Int64s:
        """[R] load_id of the file that the corrections, or the circumstances, came in."""
        both = ["readings_load_id", "load_id"]
        column = pl.coalesce(both if corrections else both[::-1]).fill_null(-1)
        return self.frame.select(column).to_series().to_numpy().astype(np.int64)

    @cached_property
    def segment(self) -> tuple[Int64s, Int64s]:
        """[R] first and last row of the same vehicle, file and month: what is judged by the readings around it."""
        load, month = self.load(corrections=True), self.frame["read_at"].dt.strftime("%Y%m").cast(pl.Int64).to_numpy()
        new = (np.diff(self.vehicle, prepend=-1) != 0) | (np.diff(load, prepend=-2) != 0)
        new |= np.diff(month, prepend=-1) != 0
        first = np.flatnonzero(new)
        lengths = np.diff(np.append(first, len(new)))
        return np.repeat(first, lengths), np.repeat(first + lengths - 1, lengths)

    @cached_property
    def _usual(self) -> dict[str, Usual]:
        return {}

    def usual(self, column: Measured) -> Usual:
        """What is usual of a column that has levels; found once."""
        if column.name not in self._usual:
            x = self.values(column.name)
            level = rough_levels(x, self.start)
            width = column.high - column.low
            floor = max(column.step / 2, 1e-4 * width if np.isfinite(width) else 0.0, 1e-9)
            scale = scatter(x, level, self.vehicle, floor=floor)
            self._usual[column.name] = Usual(level=level, scale=scale, floor=floor)
        return self._usual[column.name]

    def has(self, name: str) -> bool:
        """Whether there is such a column."""
        return name in self.frame.columns or (self.apart is not None and name in self.apart.dtypes)

    def column(self, name: str) -> pl.Series:
        """[R] a column as it came; null, of numbers that are apart NaN: not read."""
        if self.apart is None or name in self.frame.columns:
            return self.frame[name]
        return self.apart.column(name)

    def values(self, name: str) -> Float64s:
        """[R] a column of numbers as it came; NaN: not read."""
        if self.apart is not None and name not in self.frame.columns:
            return self.apart.values(name).astype(np.float64, copy=False)
        return self.frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()

    def values_at(self, name: str, rows: Int64s) -> Float64s:
        """[n] the same at some rows."""
        if self.apart is not None and name not in self.frame.columns:
            return self.apart.at(name, rows).astype(np.float64, copy=False)
        return self.frame[name].gather(rows).cast(pl.Float64).fill_null(float("nan")).to_numpy()

    def some(self, *names: str) -> pl.DataFrame:
        """Those of some columns that there are; null: not read."""
        return pl.DataFrame([_null(self.column(name)) for name in names if self.has(name)])

    def count(self, name: str) -> int:
        """How many values of a column were read."""
        if self.apart is None or name in self.frame.columns:
            return self.rows - self.frame[name].null_count()
        return self.apart.read[name]

    @cached_property
    def measured(self) -> list[Measured]:
        """Circumstances and corrections that were ever read."""
        found = [
            Measured(name=column.name, unit=column.unit, is_correction=False)
            for column in drop_tables()["snapshots"].columns
            if column.dtype == "float" and column.name not in NOT_MEASURED
        ]
        found += [
            Measured(
                name=row["code"], unit=row["unit"] or "", is_correction=True, neutral=row["neutral"] or 0.0,
                low=_or_nan(row["low_limit"]), high=_or_nan(row["high_limit"]), step=row["resolution"] or 0.0,
            )
            for row in self.catalogue.iter_rows(named=True)
        ]  # fmt: skip
        return [column for column in found if self.has(column.name) and self.count(column.name)]

    @property
    def rows(self) -> int:
        """How many readings."""
        return self.frame.height


def _numbered(words: pl.Series) -> Int64s:
    return words.fill_null("").rank("dense").to_numpy().astype(np.int64) - 1


def _or_nan(number: float | None) -> float:
    return float("nan") if number is None else number


def _null(column: pl.Series) -> pl.Series:
    return column.fill_nan(None) if column.dtype.is_float() else column
