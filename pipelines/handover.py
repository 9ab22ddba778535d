"""What the stages hand to each other: named frames and arrays, no computing, no file, no clock.

Frames are polars, times are UTC (`Datetime("us", "UTC")`), ids are text. Arrays belong to one engine family at a time:
R rows (snapshots, sorted by vehicle, then time) by C corrections; NaN means not read.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from pipelines.catalogue.tables import entry_columns, published_tables
from pipelines.large_tables import Table

Float64s = npt.NDArray[np.float64]
Float32s = npt.NDArray[np.float32]
Int64s = npt.NDArray[np.int64]
Int32s = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]
Times = npt.NDArray[np.datetime64]


@dataclass(frozen=True, kw_only=True)
class HeldReadings:
    """What is held, in no frame of the evidence (stage `held`).

    batches: The contract's `held_reading`, with `vehicle_ids` and `sure` beside it.
    histories: For a chart of each: `batch_id, vehicle_id, read_at, column_name, came, converted, held`.
    readings: `vehicle_id, read_at` of readings with held cells, `corrections` (bool: of so many corrections that the
        reading says nothing of the vehicle).
    newest: `vehicle_id, correction` (null: every one) whose newest reading is held, and how many of them the evidence
        still has without it (`held`).
    cells: `vehicle_id, read_at, column_name` (null: the whole reading) of what does not stand as it came, with its
        `value` (null: left out) and the vehicle that the reading is `of` (null: the same).
    """

    batches: pl.DataFrame
    histories: pl.DataFrame
    readings: pl.DataFrame
    newest: pl.DataFrame
    cells: pl.DataFrame

    @classmethod
    def none(cls) -> "HeldReadings":
        """Nothing is held."""
        key = [("vehicle_id", pl.String()), ("read_at", pl.Datetime("us", "UTC"))]
        return cls(
            batches=published_tables()["held_reading"].empty(),
            histories=pl.DataFrame(),
            readings=pl.DataFrame(schema=pl.Schema([*key, ("corrections", pl.Boolean())])),
            newest=pl.DataFrame(schema={"vehicle_id": pl.String, "correction": pl.String, "held": pl.Int64}),
            cells=pl.DataFrame(
                schema=pl.Schema([*key, ("column_name", pl.String()), ("value", pl.Float64()), ("of", pl.String())])
            ),
        )

    def having(self, every: "HeldReadings", vehicle_ids: Sequence[str]) -> "HeldReadings":
        """The same, with what is held of some vehicles among all; batches are judged among all alone."""
        ours = pl.col("vehicle_id").is_in(list(vehicle_ids))
        return replace(
            self, readings=every.readings.filter(ours), newest=every.newest.filter(ours), cells=every.cells.filter(ours)
        )


# Depots of a vehicle that had more than one: since when each held (null: ever), in this order.
SEEN_TO = {"seen_to": pl.Datetime("us", "UTC")}  # beside what people entered
MOVES = pl.Schema([("vehicle_id", pl.String()), ("since", pl.Datetime("us", "UTC")), ("depot", pl.String())])


@dataclass(frozen=True, kw_only=True)
class WholeFleet:
    """What holds for a fleet of which evidence has some vehicles alone.

    read: By engine family, the corrections that any of its vehicles ever read. first_day: of the first reading, days
    since 1970.
    """

    read: Mapping[str, frozenset[str]]
    first_day: float


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Everything known at `as_of`: the drop tables, with no row read or done later.

    Each frame has all columns of its contract table (absent ones null), sorted by its key. `snapshots` holds the
    contract's columns and, beside them, one Float32 column per correction code that was ever read; null: not read.
    What is held is in no frame but `held`.
    """

    as_of: datetime
    corrections: pl.DataFrame
    vehicles: pl.DataFrame
    families: pl.DataFrame
    snapshots: pl.DataFrame
    faults: pl.DataFrame
    work: pl.DataFrame
    components: pl.DataFrame
    calibrations: pl.DataFrame
    bays: pl.DataFrame
    availability: pl.DataFrame
    due: pl.DataFrame
    notes: pl.DataFrame
    # What people entered that counts at as_of, by entry_id; columns of the contract's `entry`, and `seen_to`: of a
    # sign-off the newest reading of its vehicle that was loaded when it was entered.
    entries: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema={**entry_columns().schema, **SEEN_TO}))
    entries_read: int = 0  # how many entries the record of what people enter had
    held: HeldReadings = field(default_factory=HeldReadings.none)
    # Vehicles whose number was another one's before `at`: vehicle_id, at, text; nothing before is in any frame.
    begun_anew: pl.DataFrame = field(default_factory=pl.DataFrame)
    moves: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=MOVES))  # `vehicles` has the depot at as_of
    whole: WholeFleet | None = None  # None: all vehicles are here


@dataclass(frozen=True, kw_only=True)
class History:
    """Each vehicle's past put in order (stage `history`).

    readings: one row per snapshot, sorted by vehicle_id, read_at: `vehicle_id, read_at, engine_family, depot, duty,
        hours` (ignition-on hours since first seen, stitched over restarts; null: not known), `hours_confidence` (0-1),
        `km` (odometer made monotone; null: not known), `calibration` (filled forward), `module` (filled forward),
        `power_lost` (bool: since the reading before), `faults_known` (bool: the fault memory was read).
    epochs: one row per start of learning anew: `vehicle_id, correction` (null: all), `started_at` (between the reading
        before and the first one after), `first_read_at` (first reading at or after it), `reason` (`first_seen`,
        `replaced`, `reset`, `codes_cleared`, `module`, `calibration`, `power_loss`, `values`), `recorded` (bool: a work
        row says so; false: inferred from the readings).
    fault_events: one row per event by the contract's rule: `vehicle_id, code, found_at` (the reading), `set_low,
        set_at, set_high` (when it was set: bounds and best estimate), `ended_at` (null: stands), `ended` (`open`,
        `repaired`, `cleared`, `lost_with_power`, `self_erased`, `not_read_since`).
    notices: what is wrong with a vehicle's record: `vehicle_id, at, kind, other_vehicle_id, text`.
    traces: by name, what tells whether a module or readings are another vehicle's, which may not be here (`records`).
    """

    readings: pl.DataFrame
    epochs: pl.DataFrame
    fault_events: pl.DataFrame
    notices: pl.DataFrame
    traces: dict[str, pl.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Panel:
    """One engine family's readings as arrays, ready for computing over all vehicles at once."""

    family: str
    vehicles: tuple[str, ...]  # V
    codes: tuple[str, ...]  # C, fitted and ever read in this family
    row_start: Int64s  # [V + 1]: rows of vehicle v are row_start[v]:row_start[v + 1]
    read_at: Times  # [R], datetime64[us], UTC
    hours: Float64s  # [R], stitched ignition-on hours; NaN: not known
    km: Float64s  # [R]; NaN: not known
    depot: Int32s  # [R], index into depots
    depots: tuple[str, ...]
    duty: Int32s  # [R], index into duties
    duties: tuple[str, ...]
    calibration: Int32s  # [R], index into calibrations
    calibrations: tuple[str, ...]
    values: Float32s  # [R, C]
    epoch: Int32s  # [R, C], counts learning epochs within a series, from 0
    low_limit: Float64s  # [C]
    high_limit: Float64s  # [C]
    neutral: Float64s  # [C]
    resolution: Float64s  # [C], 0: not quantised
    can_fault_low: Bools  # [C]
    can_fault_high: Bools  # [C]
    # By correction: [n, 2] first row at which a code stands that speaks of it, and one behind the last.
    coded: dict[str, Int64s] = field(default_factory=dict)
    worked: dict[str, Int64s] = field(default_factory=dict)  # by correction: rows that are read first after work on it
    joined: dict[str, Int64s] = field(default_factory=dict)  # by correction: rows at which others bear its change out

    @property
    def measured_low(self) -> Bools:
        """[C] whether leeway is measured to the low limit: a code can be set there, or at neither limit."""
        return self.can_fault_low | ~self.can_fault_high

    @property
    def measured_high(self) -> Bools:
        """[C] the same of the high limit."""
        return self.can_fault_high | ~self.can_fault_low


@dataclass(frozen=True, kw_only=True)
class FamilyDrift:
    """One family after the stages `bands` and `drift`; row r of every array uses rows up to r alone.

    Where a correction was not read at row r, `expected`, `deviation`, `z`, `slope`, `leeway` and `alarm` carry what was
    last known; NaN (False) before the first reading.
    """

    panel: Panel
    expected: Float32s  # [R, C], what this vehicle should read, unit of the correction
    sigma: Float32s  # [C], marginal sd of healthy noise, unit of the correction
    memory_days: Float32s  # [C], time constant of the noise's autocorrelation
    scale: Float32s  # [R, C], sd of the series' own healthy noise over sigma, as known before the reading
    deviation: Float32s  # [R, C], smoothed level - expected, unit of the correction
    z: Float32s  # [R, C], deviation / (sigma * scale)
    slope: Float32s  # [R, C], rate of the deviation, unit of the correction per 30 days
    leeway: Float32s  # [R, C], percent of the authority left towards a side that can fault, 0-100
    evidence: Float32s  # [R, C], the alarm statistic (half the squared z of the best onset and shape)
    threshold: Float32s  # [C], the evidence at which an alarm is raised
    alarm: Bools  # [R, C]
    relearning: Bools  # [R, C]


SETTLED_CHANGES = pl.Schema(
    [("vehicle_id", pl.String()), ("correction", pl.String()), ("size", pl.Float64()), ("sigma", pl.Float64())]
)


@dataclass(frozen=True, kw_only=True)
class Drift:
    """All families after `drift`, and the contract's `correction_state` at `as_of` (without the column as_of)."""

    families: tuple[FamilyDrift, ...]
    correction_state: pl.DataFrame
    # Changes that have levelled off and were taken for a new normal: by how much, and sd of healthy noise (unit).
    settled_changes: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=SETTLED_CHANGES))
    # What `leeway` must keep to show one vehicle's reasoning later: name -> frame, published beside the tables.
    extras: dict[str, pl.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Outliers:
    """Stage `outliers` at as_of.

    scores: `vehicle_id, outlier_score` (0-1, null: too little read), `is_outlier`, `robust_distance` (Mahalanobis,
        dimensionless), `distance_score` (0-1, the same scale as outlier_score).
    reasons: the contract's `outlier_reason`.
    score_rows: The same score at past readings, for the forecast: of a family's index in `Drift.families` and rows of
        its panel; NaN: too little read by then.
    """

    scores: pl.DataFrame
    reasons: pl.DataFrame
    score_rows: Callable[[int, Int64s], Float64s]


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """Stage `forecast` at as_of: the contract's `fault_forecast`, and what the model learned, for the page.

    model: `term, horizon_days, value, meaning`: what the forecast rests on (method, faults learned from, weights).
    """

    fault_forecast: pl.DataFrame
    model: pl.DataFrame


@dataclass(frozen=True, kw_only=True)
class Analysis:
    """Everything one analysis publishes: table name -> rows without as_of; contract tables and extras alike."""

    as_of: datetime
    tables: Mapping[str, Table]
