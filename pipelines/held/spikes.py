"""Spikes: a reading of one correction without which its vehicle goes on as usual; arrays in, rows out.

A misread value makes two changes, there and back, that are both rare, where one usual change would have been. How much
rarer is a ratio of likelihoods, in the vehicle's own usual changes; how much is too much follows from the tail of the
same ratio over all values, so that of good ones as few are left out as is promised. What is nearer cannot be told from
scatter, and does as little harm. Nor can a vehicle's newest value: until the next reading it may be a step.
Nothing is compiled: a load asks this of its new rows, and must not wait for a compiler to be imported.
"""

import numpy as np
import polars as pl

from pipelines.handover import Bools, Float64s, Int64s

GOOD_OUT = 5e-4  # of the good values that may be left out: the promise
FREEDOM = 6.0  # degrees of Student's t of a usual change: its tails are heavier than a normal's
LEAST_NATS = -float(np.log(GOOD_OUT))  # a likelihood ratio of good values is beyond 1 / share in that share at most
MOST_NATS = 16.0  # seven usual changes out and back: more is told whatever the tail, or where it is not known
TAIL_FROM, TAIL_TO = 0.02, 0.004  # of the values: where the tail is learned, as exponential; misreadings are fewer
ENOUGH = 10  # values beyond the second of these, or nothing is learned
SAMPLED = 20_000  # changes that say how large one of them is too large to count
OWN = 40.0  # changes of the pool, beside a vehicle's own, that say what its usual change is
RESTLESS = 1.5  # times a vehicle's median change: where that is more, it is what counts, however far from the pool
OWN_CHANGES = 8  # from which that is known: two changes at a misreading must not tell it
MEDIAN_OF_MEAN = 0.845  # of absolute normal deviates, the median over the mean
LARGE = 5.0  # medians, as which a larger change counts in a mean
# Columns that tell where a module began anew: another of the first two, a fall of the others; definition.
BEGAN = ("module", "calibration", "ignition_hours", "warmups_since_clear", "km_since_clear")
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
    read = np.flatnonzero(~np.isnan(x))
    x, start = x[read], np.searchsorted(read, start)
    first = np.zeros(len(x), np.bool_)
    first[start[:-1][np.diff(start) > 0]] = True
    change = np.append(0.0, np.abs(np.diff(x)))[: len(x)]
    known = change[~first]
    if not known.size:
        return np.zeros(0, np.int64)
    middle = float(np.median(known[:: max(1, known.size // SAMPLED)]))
    usual = np.repeat(_usual_changes(change, start, LARGE * (middle + step), max(step, 1e-9)), np.diff(start))
    at, other = _excursions(x, change >= usual, first)
    ways, usual = (
        _ways(x, at, other, (other < at) & (beginnings[read[other]] < beginnings[read[at]]), neutral),
        usual[at],
    )
    nats = _nats(ways, usual)
    far = _far(nats, between=_between(start))
    some = np.flatnonzero(nats > far)
    at, ways, usual = at[some], ways[:, some], usual[some]
    usual = np.maximum(usual, _restless(change, start, at) / RESTLESS)
    misread: Int64s = read[np.sort(at[_nats(ways, usual) > far])]
    return misread


def _nats(ways: Float64s, usual: Float64s) -> Float64s:
    """[n] how much likelier one change is than two: `ways` [3, n], past the value, there, back."""
    past, there, back = -0.5 * (FREEDOM + 1) * np.log1p((ways / usual) ** 2 / FREEDOM)
    nats: Float64s = past - there - back
    return nats


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


def _excursions(x: Float64s, large: Bools, first: Bools) -> tuple[Int64s, Int64s]:
    """Values [n] beyond the one after them and another [n]: the one before, of a first value the second one after.

    Args:
        x: [R].
        large: [R] changes from the value before that are usual ones or more.
        first: [R] where a vehicle begins.
    """
    inner = np.flatnonzero(large[1:-1] & large[2:]) + 1
    inner = inner[~(first[inner] | first[inner + 1])]
    begins = np.flatnonzero(first[:-2] & ~first[1:-1] & ~first[2:])
    begins = begins[large[begins + 1]]
    at, other = np.append(inner, begins), np.append(inner - 1, begins + 2)
    beyond = (x[at] > x[at + 1]) == (x[at] > x[other])
    return at[beyond], other[beyond]


def _ways(x: Float64s, at: Int64s, other: Int64s, anew: Bools, neutral: float) -> Float64s:
    """[3, n] changes past a value, there and back; where a module began anew [n], what lies towards neutral is none."""
    before, here, after = x[other], x[at], x[at + 1]
    ways = np.abs(np.stack([after - before, here - before, here - after]))
    which = np.flatnonzero(anew)
    for way, side in () if np.isnan(neutral) else ((1, before[which]), (2, after[which])):
        beyond = np.maximum(here[which] - np.maximum(side, neutral), np.minimum(side, neutral) - here[which])
        ways[way, which] = np.clip(beyond, 0, ways[way, which])
    return ways


def _far(nats: Float64s, *, between: int) -> float:
    """Nats beyond which so few good values lie as may be left out, by the tail of all.

    Args:
        nats: Of the values that are a usual change beyond their neighbours.
        between: How many values have neighbours; all others say nothing.
    """
    beyond = [round(share * between) for share in (TAIL_FROM, TAIL_TO)]
    if beyond[1] < ENOUGH:
        return MOST_NATS
    every = np.append(np.maximum(nats, 0.0), np.zeros(beyond[0]))
    ordered = np.partition(every, [every.size - n for n in beyond])
    low, high = (float(ordered[every.size - n]) for n in beyond)
    further = (high - low) * np.log(TAIL_TO / GOOD_OUT) / np.log(TAIL_FROM / TAIL_TO)
    return float(np.clip(high + further, LEAST_NATS, MOST_NATS))


def module_began(rows: pl.DataFrame) -> pl.Expr:
    """Whether another module, another calibration, a restarted clock or counter lies between a reading and the last."""
    other = [pl.col(name) != _before(name) for name in BEGAN[:2] if name in rows.columns]
    fell = [pl.col(name) < _before(name) for name in BEGAN[2:] if name in rows.columns]
    return pl.any_horizontal(pl.lit(value=False), *(sign.fill_null(value=False) for sign in (*other, *fell)))


def _before(name: str) -> pl.Expr:
    return pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift()).then(pl.col(name).shift())
