"""Single misread values: one reading of one correction far from those before and after it, which agree."""

from collections.abc import Mapping
from statistics import NormalDist

import numpy as np
import polars as pl

from pipelines.handover import Bools, Float64s, Int64s
from pipelines.held.finding import MISREAD, Finding
from pipelines.held.levels import filled
from pipelines.held.readings import Measured, Readings
from pipelines.threads import in_threads

TIMES = 6.0  # usual changes from reading to reading that a misread value is off, at least
BACK = 0.5  # of its excursion, the most by which the values before and after a misreading differ
RESTLESS = 1.5  # times the usual change from reading to reading, beyond which a vehicle is judged by its own
OWN_READINGS = 9  # from which a vehicle's own change is known: two changes at a misreading must not tell it
MEDIAN_OF_MEAN = 0.845  # of absolute normal deviates, the median over the mean
TAIL = 0.02  # of the changes: misreadings are fewer, the tail of noise shows there already
HEAVIEST = 1.2  # so that a value ten usual changes off is told whatever the tail
SAMPLED = 100_000  # changes that say what is usual, of more
FEW = 5  # changes, more than two misreadings make
NORMAL = NormalDist()
SEVERAL = 3  # corrections of one reading: where more are far off at once, something happened to the vehicle


def misread_values(readings: Readings, held: Mapping[str, Bools]) -> list[Finding]:
    """Values that are left out, one finding per file and depot.

    A value is told once the reading after it is known. Where several corrections of a reading are far off at once,
    something happened to the vehicle.

    Args:
        readings: All that is known.
        held: Column -> [R] what is held already, and is not judged.
    """
    columns = [column for column in readings.measured if column.is_correction]
    beginnings = np.cumsum(readings.frame.select(module_began(readings.frame)).to_series().to_numpy())
    told = in_threads(lambda column: _misread(readings, column, held, beginnings), columns)
    at_once = np.bincount(np.concatenate([np.zeros(0, np.int64), *told]), minlength=readings.rows)
    cells = {c.name: rows[at_once[rows] <= SEVERAL] for c, rows in zip(columns, told, strict=True)}
    return _by_batch(readings, cells)


def _misread(readings: Readings, column: Measured, held: Mapping[str, Bools], beginnings: Int64s) -> Int64s:
    x = filled(readings.values(column.name), held.get(column.name))
    read = np.flatnonzero(~np.isnan(x))
    if not len(read):
        return read
    vehicle = readings.vehicle[read]
    dense = np.cumsum(np.diff(vehicle, prepend=vehicle[0]) != 0)
    first = np.diff(vehicle, prepend=-1) != 0
    return read[out_and_back(dense, first, beginnings[read], x[read], column.step, column.neutral, TIMES)]


def _by_batch(readings: Readings, cells: Mapping[str, Int64s]) -> list[Finding]:
    """The same cells file by file and depot by depot."""
    load = readings.load(corrections=True)
    every = np.unique(np.concatenate([np.zeros(0, np.int64), *cells.values()]))
    keys = np.stack([load[every], readings.depot[readings.vehicle[every]]], axis=1)
    found = []
    for batch in np.unique(keys, axis=0):
        rows = every[(keys == batch).all(axis=1)]
        mine = {name: np.intersect1d(which, rows) for name, which in cells.items()}
        found.append(
            Finding(
                looks_like=MISREAD, load_id=int(batch[0]), depot=readings.depots[int(readings.vehicle[rows[0]])],
                rows=rows, sure=0.0, cells={name: which for name, which in mine.items() if len(which)},
            )
        )  # fmt: skip
    return found


def out_and_back(  # noqa: PLR0917
    vehicle: Int64s, first: Bools, beginnings: Int64s, value: Float64s, step: float, neutral: float, times: float
) -> Int64s:
    """Which of R readings of one correction, by vehicle and time, are spikes.

    Arrays [R] without gaps; `first`: whether a reading is its vehicle's first.
    """
    change = np.abs(np.diff(value, prepend=np.nan))
    change[first] = np.nan
    some = change[~first]
    some = some[:: max(1, len(some) // SAMPLED)]
    usual = max(_usual_change(some, step), step, 1e-9)
    large = change > times * usual
    at = np.flatnonzero((large | first)[:-1] & large[1:])  # no other can be: both neighbours are further off than that
    further = np.minimum(at + 2, len(value) - 1)
    there = np.where((further == at + 2) & (vehicle[further] == vehicle[at]), value[further], np.nan)
    other, after = np.where(first[at], there, value[at - 1]), value[at + 1]
    begun = np.where(~first[at] & (beginnings[at - 1] < beginnings[at]), neutral, np.nan)
    highest, lowest = (most(most(other, after), begun) for most in (np.fmax, np.fmin))
    far = np.maximum(value[at] - highest, lowest - value[at])
    out = (far > times * usual) & (np.abs(other - after) < BACK * far)
    at, far = at[out], far[out]
    if not at.size:
        return at
    with_spikes = np.zeros(int(vehicle[-1]) + 1, np.bool_)
    with_spikes[vehicle[at]] = True
    theirs = with_spikes[vehicle]
    own = pl.DataFrame({"vehicle": vehicle[theirs], "change": change[theirs]}).select(
        pl.when(pl.len() >= OWN_READINGS).then(pl.col("change").drop_nans().median()).over("vehicle").fill_null(0.0)
    )
    moved = np.zeros(len(value))
    moved[theirs] = own.to_series().to_numpy()
    usual *= _tail(some, usual)
    misread: Int64s = at[far > times * np.maximum(usual, moved[at] / RESTLESS)]
    return misread


def _usual_change(change: Float64s, step: float) -> float:
    """Change from reading to reading that half of them exceed if they are normal; whole steps do not make it jump.

    From the mean of the changes, of which large ones count as five medians.
    """
    if not change.size:
        return 0.0
    most = 5 * (float(np.median(change)) + step)
    return MEDIAN_OF_MEAN * float(np.minimum(change, most).mean())


def _tail(change: Float64s, usual: float) -> float:
    """How many times further than a normal's the tail of the changes reaches, from 1 to `HEAVIEST`.

    Told from the change that one in fifty exceeds, and at least a few: some misreadings must not hide themselves.
    """
    beyond = max(round(TAIL * change.size), FEW)
    if beyond >= change.size / 2:
        return 1.0
    there = float(np.partition(change, change.size - beyond)[change.size - beyond])
    normal = NORMAL.inv_cdf(1 - beyond / change.size / 2) / NORMAL.inv_cdf(0.75)
    return min(max(1.0, there / (usual * normal)), HEAVIEST)


def module_began(rows: pl.DataFrame) -> pl.Expr:
    """Whether another module, another calibration, a restarted clock or counter lies between a reading and the last."""
    other = [pl.col(name) != _before(name) for name in ("module", "calibration") if name in rows.columns]
    counters = ("ignition_hours", "warmups_since_clear", "km_since_clear")
    fell = [pl.col(name) < _before(name) for name in counters if name in rows.columns]
    return pl.any_horizontal(pl.lit(value=False), *(sign.fill_null(value=False) for sign in (*other, *fell)))


def _before(name: str) -> pl.Expr:
    return pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift()).then(pl.col(name).shift())
