"""Spikes: one reading of one correction far from those before and after it, which agree; arrays in, rows out.

How far is far follows from the correction's own readings: its usual change from reading to reading, as each vehicle
shows it, and the tail of healthy excursions, so that of good values hardly any is left out. What is nearer cannot be
told from scatter, and does as little harm. Nor can a vehicle's newest value: until the next reading it may be a step.
Nothing is compiled: a load asks this of its new rows, and must not wait for a compiler to be imported.
"""

import numpy as np
import polars as pl

from pipelines.handover import Bools, Float64s, Int64s

TIMES = 6.0  # usual changes that a misread value is off, where too little was read to learn it
LEAST_TIMES, MOST_TIMES = 3.5, 6.0  # that learning may come to: a value ten usual changes off is told whatever the tail
GOOD_OUT = 2e-4  # of the good values that are left out: of at most 5e-4, what tails heavier than exponential leave over
TAIL_FROM, TAIL_TO = 0.02, 0.004  # of the values: where the tail is learned, as exponential; misreadings are fewer
ENOUGH = 10  # values beyond the second of these, or nothing is learned
BACK = 0.5  # of its excursion, the most by which the values before and after a misreading differ
OWN = 40.0  # changes of the pool, beside a vehicle's own, that say what its usual change is
RESTLESS = 1.5  # times a vehicle's median change: where that is more, it is what counts, however far from the pool
OWN_CHANGES = 8  # from which that is known: two changes at a misreading must not tell it
MEDIAN_OF_MEAN = 0.845  # of absolute normal deviates, the median over the mean
LARGE = 5.0  # medians, as which a larger change counts in a mean
SEVERAL = 3  # corrections of one reading: where more are far off at once, something happened to the vehicle


def out_and_back(x: Float64s, start: Int64s, beginnings: Int64s, *, step: float, neutral: float) -> Int64s:
    """Rows of one correction that are spikes.

    Args:
        x: [R] its values by vehicle and time; NaN: not read.
        start: [V + 1] first row of each vehicle.
        beginnings: [R] counts up where the module may have begun anew; a value there may also lie towards neutral.
        step: Of the values; 0: not known.
        neutral: After a reset; NaN: not known.
    """
    read = np.arange(len(x))
    if (unread := np.isnan(x)).any():
        read = np.flatnonzero(~unread)
        x, beginnings = x[read], beginnings[read]
        start = start - np.append(0, np.cumsum(unread))[start]
    first = np.zeros(len(x), np.bool_)
    first[start[:-1][np.diff(start) > 0]] = True
    change = np.append(0.0, np.abs(np.diff(x)))[: len(x)]
    known = change[~first]
    if not known.size:
        return np.zeros(0, np.int64)
    usual = _usual_changes(change, start, LARGE * (float(np.median(known)) + step), max(step, 1e-9))
    at, beyond = _excursions(x, first, beginnings, neutral)
    times = beyond / usual[np.searchsorted(start, at, side="right") - 1]
    far = _far(times, between=_between(start))
    at, beyond = at[times > far], beyond[times > far]
    misread: Int64s = read[np.sort(at[beyond > far * _restless(change, start, at) / RESTLESS])]
    return misread


def _usual_changes(change: Float64s, start: Int64s, most: float, least: float) -> Float64s:
    """[V] change that half of a vehicle's exceed if they are normal, from their mean; drawn to that of all vehicles.

    In whole steps a median would jump. Changes beyond `most` count as that; a vehicle's first is none.
    """
    count, some = np.maximum(np.diff(start) - 1, 0), np.diff(start) > 0
    total = np.zeros(len(count))
    change = np.minimum(change, most)
    total[some] = np.add.reduceat(change, start[:-1][some]) - change[start[:-1][some]]
    pooled = total.sum() / count.sum()
    usual: Float64s = np.maximum(MEDIAN_OF_MEAN * (total + OWN * pooled) / (count + OWN), least)
    return usual


def _restless(change: Float64s, start: Int64s, at: Int64s) -> Float64s:
    """[n] median change of the vehicle of each of some values; 0: hardly read."""
    vehicle = np.searchsorted(start, at, side="right") - 1
    count = np.diff(start)
    theirs = np.zeros(len(count), np.bool_)
    theirs[vehicle] = True
    mask = np.repeat(theirs, count)
    mask[start[:-1][theirs]] = False
    rows, of = np.flatnonzero(mask), np.repeat(np.flatnonzero(theirs), count[theirs] - 1)
    ordered = np.append(change[rows][np.lexsort((change[rows], of))], 0.0)
    n = np.bincount(of, minlength=len(count))
    begins, n = (np.cumsum(n) - n)[vehicle], n[vehicle]
    median = (ordered[begins + np.maximum(n - 1, 0) // 2] + ordered[begins + n // 2]) / 2
    known: Float64s = np.where(n >= OWN_CHANGES, median, 0.0)
    return known


def _between(start: Int64s) -> int:
    """How many values are held against two others: of three or more of a vehicle, all but the last."""
    count = np.diff(start)
    return int((count[count > 2] - 1).sum())


def _excursions(x: Float64s, first: Bools, beginnings: Int64s, neutral: float) -> tuple[Int64s, Float64s]:
    """Values [n] between two others that agree, and by how much they are beyond both [n].

    A vehicle's first value is held against the two after it.
    """
    high, low = np.maximum(x[:-2], x[2:]), np.minimum(x[:-2], x[2:])
    far = np.maximum(x[1:-1] - high, low - x[1:-1])
    inner = np.flatnonzero((high - low < BACK * far) & ~(first[1:-1] | first[2:])) + 1
    begins = np.flatnonzero(first[:-2] & ~first[1:-1] & ~first[2:])
    at, other = np.append(inner, begins), np.append(inner - 1, begins + 2)
    before, here, after = x[other], x[at], x[at + 1]
    far = _beyond(here, before, after)
    anew = np.flatnonzero((other < at) & (beginnings[other] < beginnings[at]))
    for side in () if np.isnan(neutral) else (before, after):
        far[anew] = np.minimum(far[anew], _beyond(here[anew], side[anew], neutral))
    agree = np.abs(before - after) < BACK * far
    return at[agree], far[agree]


def _beyond(value: Float64s, one: Float64s, two: Float64s | float) -> Float64s:
    """How far values are outside of two others; below zero: between them."""
    beyond: Float64s = np.maximum(value - np.maximum(one, two), np.minimum(one, two) - value)
    return beyond


def _far(times: Float64s, *, between: int) -> float:
    """Usual changes beyond which so few good values lie as may be left out, by the tail of all.

    Args:
        times: Of the values whose neighbours agree, by how many usual changes they are beyond both.
        between: How many values have neighbours; all others are beyond by nothing.
    """
    beyond = [round(share * between) for share in (TAIL_FROM, TAIL_TO)]
    if beyond[1] < ENOUGH:
        return TIMES
    every = np.append(times, np.zeros(beyond[0]))
    ordered = np.partition(every, [every.size - n for n in beyond])
    low, high = (float(ordered[every.size - n]) for n in beyond)
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
