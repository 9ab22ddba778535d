"""Single misread values: one reading of one correction far from those before and after it, which agree.

How far is far follows from the correction's own readings: its usual change from reading to reading, as each vehicle
shows it, and the tail of healthy excursions, so that of good values hardly any is left out. What is nearer cannot be
told from scatter, and does as little harm. Nor can a vehicle's newest value: until the next reading it may be a step.
"""

from collections.abc import Mapping

import numba
import numpy as np
import polars as pl

from pipelines.handover import Bools, Float64s, Int64s
from pipelines.held.finding import MISREAD, Finding
from pipelines.held.levels import filled
from pipelines.held.readings import Measured, Readings
from pipelines.threads import in_threads

TIMES = 6.0  # usual changes that a misread value is off, where too little was read to learn it
LEAST_TIMES, MOST_TIMES = 3.5, 6.0  # that learning may come to: a value ten usual changes off is told whatever the tail
GOOD_OUT = 2e-4  # of the good values that are left out: of at most 5e-4, what tails heavier than exponential leave over
TAIL_FROM, TAIL_TO = (
    0.02,
    0.004,
)  # of the values beyond: where the tail is learned, as exponential; misreadings are fewer
ENOUGH = 10  # values beyond the second of these, or nothing is learned
BACK = 0.5  # of its excursion, the most by which the values before and after a misreading differ
OWN = 40.0  # changes of the pool, beside a vehicle's own, that say what its usual change is
RESTLESS = 1.5  # times a vehicle's median change: where that is more, it is what counts, however far from the pool
OWN_CHANGES = 8  # from which that is known: two changes at a misreading must not tell it
MEDIAN_OF_MEAN = 0.845  # of absolute normal deviates, the median over the mean
LARGE = 5.0  # medians, as which a larger change counts in a mean
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

    def of(column: Measured) -> Int64s:
        x = filled(readings.values(column.name), held.get(column.name))
        return out_and_back(x, readings.start, beginnings, step=column.step, neutral=column.neutral)

    told = in_threads(of, columns)
    at_once = np.bincount(np.concatenate([np.zeros(0, np.int64), *told]), minlength=readings.rows)
    cells = {c.name: rows[at_once[rows] <= SEVERAL] for c, rows in zip(columns, told, strict=True)}
    return _by_batch(readings, cells)


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


def out_and_back(x: Float64s, start: Int64s, beginnings: Int64s, *, step: float, neutral: float) -> Int64s:
    """Rows of one correction that are spikes.

    Args:
        x: [R] its values by vehicle and time; NaN: not read.
        start: [V + 1] first row of each vehicle.
        beginnings: [R] counts up where the module may have begun anew; a value there may also lie towards neutral.
        step: Of the values; 0: not known.
        neutral: After a reset; NaN: not known.
    """
    change = changes(x, start)
    known = change[~np.isnan(change)]
    if not known.size:
        return np.zeros(0, np.int64)
    most = LARGE * (float(np.median(known)) + step)
    usual = _usual_changes(change, start, most, step)
    times = excursions(x, start, beginnings, neutral, usual)
    far = _far(times[~np.isnan(times)])
    out = np.flatnonzero(times > far)
    vehicle = np.searchsorted(start, out, side="right") - 1
    misread: Int64s = out[times[out] * usual[vehicle] > far * _restless(change, start, vehicle) / RESTLESS]
    return misread


@numba.njit(cache=True, nogil=True)
def changes(x, start):  # type: ignore[no-untyped-def]
    """[R] how far each value is from the one read before it of the same vehicle; NaN: one of the two is not known."""
    out = np.full(len(x), np.nan)
    for v in range(len(start) - 1):
        before = np.nan
        for r in range(start[v], start[v + 1]):
            if not np.isnan(x[r]):
                out[r] = abs(x[r] - before)
                before = x[r]
    return out


@numba.njit(cache=True, nogil=True)
def _usual_changes(change, start, most, step):  # type: ignore[no-untyped-def]
    """[V] change that half of a vehicle's exceed if they are normal, from their mean; drawn to that of all vehicles.

    In whole steps a median would jump. Changes beyond `most` count as that.
    """
    total, count = np.zeros(len(start) - 1), np.zeros(len(start) - 1)
    for v in range(len(total)):
        for r in range(start[v], start[v + 1]):
            if not np.isnan(change[r]):
                total[v] += min(change[r], most)
                count[v] += 1
    pooled = total.sum() / count.sum()
    return np.maximum(MEDIAN_OF_MEAN * (total + OWN * pooled) / (count + OWN), max(step, 1e-9))


@numba.njit(cache=True, nogil=True)
def _restless(change, start, vehicles):  # type: ignore[no-untyped-def]
    """[n] median change of some vehicles, sorted; 0: hardly read."""
    out = np.zeros(len(vehicles))
    for i in range(len(vehicles)):
        v = vehicles[i]
        if i and v == vehicles[i - 1]:
            out[i] = out[i - 1]
            continue
        mine = change[start[v] : start[v + 1]]
        mine = mine[~np.isnan(mine)]
        if len(mine) >= OWN_CHANGES:
            out[i] = np.median(mine)
    return out


@numba.njit(cache=True, nogil=True)
def excursions(x, start, beginnings, neutral, usual):  # type: ignore[no-untyped-def]
    """[R] usual changes by which each value is beyond those before and after it; 0: they differ themselves.

    A vehicle's first value is held against the two after it. NaN: not read, or not between others.
    """
    out = np.full(len(x), np.nan)
    for v in range(len(usual)):
        before, here = -1, -1
        for r in range(start[v], start[v + 1]):
            if np.isnan(x[r]):
                continue
            if here >= 0:
                other = before
                if before < 0:
                    other = r + 1
                    while other < start[v + 1] and np.isnan(x[other]):
                        other += 1
                if other < start[v + 1]:
                    far = _beyond(x[here], x[other], x[r])
                    if before >= 0 and beginnings[before] < beginnings[here] and not np.isnan(neutral):
                        far = min(far, _beyond(x[here], x[other], neutral), _beyond(x[here], x[r], neutral))
                    out[here] = far / usual[v] if abs(x[other] - x[r]) < BACK * far else 0.0
            before, here = here, r
    return out


@numba.njit(cache=True, nogil=True)
def _beyond(value, one, two):  # type: ignore[no-untyped-def]
    """How far a value is outside of two others; below zero: between them."""
    return max(value - max(one, two), min(one, two) - value)


def _far(times: Float64s) -> float:
    """Usual changes beyond which so few good values lie as may be left out, by the tail of all."""
    beyond = [round(share * times.size) for share in (TAIL_FROM, TAIL_TO)]
    if beyond[1] < ENOUGH:
        return TIMES
    ordered = np.partition(times, [times.size - n for n in beyond])
    low, high = (float(ordered[times.size - n]) for n in beyond)
    further = (high - low) * np.log(TAIL_TO / GOOD_OUT) / np.log(TAIL_FROM / TAIL_TO)
    return float(np.clip(high + further, LEAST_TIMES, MOST_TIMES))


def module_began(rows: pl.DataFrame) -> pl.Expr:
    """Whether another module, another calibration, a restarted clock or counter lies between a reading and the last."""
    other = [pl.col(name) != _before(name) for name in ("module", "calibration") if name in rows.columns]
    counters = ("ignition_hours", "warmups_since_clear", "km_since_clear")
    fell = [pl.col(name) < _before(name) for name in counters if name in rows.columns]
    return pl.any_horizontal(pl.lit(value=False), *(sign.fill_null(value=False) for sign in (*other, *fell)))


def _before(name: str) -> pl.Expr:
    return pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift()).then(pl.col(name).shift())
