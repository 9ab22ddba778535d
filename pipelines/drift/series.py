"""What the sequential test takes, knows and gives: named records of one series and of a correction's rows."""

from typing import Any, NamedTuple

import numpy as np

from pipelines.bands.normal import LEAST_SETTLED, SCORES
from pipelines.drift.alarm_rules import ALARM
from pipelines.drift.carry_over import CARRIED, RELEARNING
from pipelines.drift.harm import CHANGED
from pipelines.drift.level_filter import LEVEL

UNREAD = -2  # in the place of a change of calibration: the series was never read; definition

# What is said of the newest reading; baseline: what is expected of this vehicle, minus what is expected of all;
# evidence: half the squared z of the best onset and shape, or of the departure from before the epoch; direction: its
# side; slope: of the deviation, per 30 days; score: normal score of the innovation, NaN: none was taken in.
VERDICT = np.dtype(
    [(name, "f8") for name in (
        "baseline", "baseline_var", "evidence", "direction", "slope", "expected", "deviation", "score",
    )],
    align=True,
)  # fmt: skip
# What is known of one series after a reading: all that the next one needs beside the onsets in its bank. waiting: the
# newest reading, if the next one has to bear it out, else NaN; waited_memory: share of the noise remembered since the
# reading before it, else 1. least, most: readings of the epoch. worked: whether there was work on it since its newest
# reading.
SERIES = np.dtype(
    [
        ("level", LEVEL), ("relearning", RELEARNING), ("carried", CARRIED), ("alarm", ALARM), ("verdict", VERDICT),
        ("changed", CHANGED),
        ("read_day", "f8"), ("waiting", "f8"), ("waited_memory", "f8"), ("least", "f8"), ("most", "f8"),
        ("onsets", "i4"), ("seen", "i4"), ("epoch", "i4"), ("change", "i4"), ("worked", "?"),
    ],
    align=True,
)  # fmt: skip
# A step of the filter, for the posterior after an alarm: gains, sd of the innovation and its score, share of the noise
# that was remembered since the reading before, and the level after it.
STEP = np.dtype(
    [(name, "f8") for name in ("level_gain", "noise_gain", "sd", "score", "memory", "level")], align=True
)  # fmt: skip
# A reading at which others bear out a correction's change. row: of the vehicle's. evidence: the direction's. others: a
# bit for each of its members that move with it.
JOINED = np.dtype(
    [("correction", "i4"), ("vehicle", "i4"), ("row", "i4"), ("direction", "i4"), ("evidence", "f8"), ("others", "u8")],
    align=True,
)
NO_TRACE = np.empty(0, dtype=STEP)  # no steps are wanted: definition
# The knots of one block's `Healthy.tails`: a kernel counts who holds an array, atomically, and of a record it does not.
TAIL = np.dtype([("knots", "f8", (len(SCORES),))], align=True)


class Rows(NamedTuple):
    """One correction's readings, [R], sorted by vehicle, then time.

    value: NaN: not read. base: what does not depend on the vehicle's own level: centre as at the epoch's start, season,
    ageing. base_var: error variance of the season, as a part of the noise's. scale: sd of this series' noise over the
    pooled one's, as known before the reading. epoch: of learning. change: index of the
    vehicle's last change of calibration, which may move the level for good; -1: none. moved: of `MOVED`. day: time.
    hours: stitched ignition hours; NaN: not known. block: of time, which says what noise holds. coded: whether a code
    stands that speaks of the correction. worked: whether it was worked on since the vehicle's reading before. joined:
    whether others bear its change out. stood: whether it was read and had learned nothing since. jumps: how many of the
    vehicle's corrections jumped there.
    """

    value: Any
    base: Any
    base_var: Any
    scale: Any
    epoch: Any
    change: Any
    moved: Any
    day: Any
    hours: Any
    block: Any
    coded: Any
    worked: Any
    joined: Any
    stood: Any
    jumps: Any


class Healthy(NamedTuple):
    """What holds in health and what is promised, by block of time.

    noise: [B] of `NOISE`. tails: [B, 8] innovations (in their own sd) whose normal scores are `SCORES`. threshold: [B]
    evidence at which an alarm is raised. learn_hours: time constant of relearning in ignition hours; 0: none.
    low, high: limits; NaN: that side never faults. step: in which the module learns; 0: not rounded.
    """

    noise: Any
    tails: Any
    threshold: Any
    learn_hours: Any
    low: float
    high: float
    step: float


class Reading(NamedTuple):
    """One reading of one correction; x: minus `base`, what is expected of all vehicles; the rest as in `Rows`.

    together: whether others of the vehicle's corrections jumped with it.
    """

    x: float
    base: float
    base_var: float
    epoch: int
    change: int
    day: float
    hours: float
    together: bool


class Terms(NamedTuple):
    """What holds at one reading.

    noise: of `NOISE`, the pooled one. sigma: marginal sd of this series' noise. wander: variance that its level gains
    in a day. noise_var: marginal variance of the noise, with the season's error. spread_var: of vehicles'
    levels. moved: of `MOVED`. low, high: limits, from the base. coded: whether a code speaks of it. step: of rounding.
    joined: whether others bear its change out. is_traced: whether steps of the filter are wanted.
    """

    noise: Any
    sigma: float
    wander: float
    noise_var: float
    spread_var: float
    moved: Any
    threshold: float
    learn_hours: float
    low: float
    high: float
    coded: bool
    step: float
    joined: bool
    is_traced: bool


class Output(NamedTuple):
    """What the test fills, [R]: expected value, smoothed level minus that, its slope per 30 days, evidence, flags.

    score: normal score of the row's innovation; NaN: nothing was taken in.
    """

    expected: Any
    deviation: Any
    slope: Any
    evidence: Any
    score: Any
    alarm: Any
    relearning: Any


class Resumed(NamedTuple):
    """Where a run goes on and what it leaves.

    first, last: [V] row of each vehicle to begin with, and to stop at. series: [V] of `SERIES` before `first`; brought
    to `last`. onsets: of `ONSET` before `first`, one vehicle's after another's. onsets_after: [V * CANDIDATES] receives
    them after `last`; empty: not wanted. bank: [1] of `BANK`, to work in. is_traced: whether steps of the filter are
    wanted.
    """

    first: Any
    last: Any
    series: Any
    onsets: Any
    onsets_after: Any
    bank: Any
    is_traced: bool


def blank_series(vehicles: int) -> np.ndarray:
    """[V] of `SERIES`: nothing read yet."""
    series = np.zeros(vehicles, dtype=SERIES)
    for name in ("expected", "deviation", "slope", "evidence", "score"):
        series["verdict"][name] = np.nan
    series["carried"]["level"] = np.nan
    series["alarm"]["since"] = np.nan
    series["level"]["hours"] = np.nan
    series["changed"]["day"] = np.nan
    series["waiting"] = np.nan
    series["waited_memory"] = 1.0
    series["epoch"] = -1
    series["change"] = UNREAD
    return series


def last_output(series: np.ndarray) -> Output:
    """[V] what was put out of each series at its newest reading."""
    verdict = series["verdict"]
    return Output(
        expected=verdict["expected"], deviation=verdict["deviation"], slope=verdict["slope"],
        evidence=verdict["evidence"], score=verdict["score"], alarm=series["alarm"]["on"],
        relearning=~series["alarm"]["on"] & (series["relearning"]["on"] | (series["seen"] < LEAST_SETTLED)),
    )  # fmt: skip
