"""What an alarm says eight readings later: since when, and when the limit will be met; held against the truth.

Every second vehicle has one change. Each of them is cut eight readings after its alarm, the others stay whole: since a
row's result rests on rows up to it alone, one pass then tells of every alarm at that age.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from drift_delay import name_of
from drift_fleets import START, Fleet, World, light_fleet
from drift_light import drift_of
from drift_plants import BENIGN, one_each
from drift_table import Line, median_interval, ratio_interval, share_interval
from scipy.stats import t as student

CELLS = (
    ("ramp", 0.5),
    ("ramp", 1.0),
    ("ramp", 2.0),
    ("step", 2.0),
    ("step", 3.0),
    ("accelerating", 1.0),
    (BENIGN, 1.5),
)
ONSET_TARGET = {("ramp", 0.5): 5.0, ("ramp", 1.0): 3.0, ("ramp", 2.0): 2.0, ("step", 2.0): 1.0, ("step", 3.0): 1.0}
AFTER, LINE_READINGS, CORRECTIONS = 8, 12, 10
WEEKS, TRUTH_WEEKS = 115, 520  # read by the stage; lived, to see when the limit is met
PROMISE, AUTHORITY = 0.1, 15.0


@dataclass(frozen=True, kw_only=True)
class Told:
    """One alarm at its age, all times in days (inf: not expected): onset and its interval, dates of the limit.

    true_onset, true_limit: of the noise-free path. line: 10 and 90 % dates of a line through the last twelve readings.
    farthest: days after now beyond which the truth is not known; what comes later counts as never.
    """

    now: float
    onset: tuple[float, float, float]
    dates: tuple[float, float, float]
    true_onset: float
    true_limit: float
    line: tuple[float, float]
    farthest: float = 3650.0


def date_lines(*, vehicles: int) -> Iterator[Line]:
    """Onset and limit dates, a cell of growth each, and the dates of all together."""
    every: list[Told] = []
    for law, size in CELLS:
        world = World(
            vehicles=vehicles, corrections=CORRECTIONS, weeks=TRUTH_WEEKS, depot_season=0.2, season=0.7, centre=2.0,
            authority=AUTHORITY, seed=31,
        )  # fmt: skip
        told = list(_told(light_fleet(world, one_each(law, size, CORRECTIONS, share=0.5))))
        yield from _onset_lines(law, size, told)
        if law == "step":
            continue  # it meets no limit and grows no more
        ahead = [one for one in told if one.true_limit > one.now]
        yield from limit_lines(name_of(law, size), ahead)
        every += ahead
    yield from limit_lines("all cells together", every)


def _onset_lines(law: str, size: float, told: list[Told]) -> Iterator[Line]:
    of = name_of(law, size)
    error = np.array([abs(one.onset[1] - one.true_onset) / 7 for one in told])
    value, low, high = median_interval(error)
    at_most = ONSET_TARGET.get((law, size), np.inf)
    yield Line(measure="onset error, readings", of=of, n=len(told), value=value, low=low, high=high, at_most=at_most)
    hits = sum(one.onset[0] <= one.true_onset <= one.onset[2] for one in told)
    low, high = share_interval(hits, len(told))
    yield Line(
        measure="  90 % onset interval holds", of=of, n=len(told), value=hits / max(len(told), 1), low=low, high=high,
        at_least=0.85, at_most=0.95,
    )  # fmt: skip
    value, low, high = median_interval(np.array([(one.onset[2] - one.onset[0]) / 7 for one in told]))
    yield Line(measure="  its median width, readings", of=of, n=len(told), value=value, low=low, high=high)


def limit_lines(of: str, told: list[Told]) -> Iterator[Line]:
    """How often the 10 to 90 % dates hold the noise-free crossing, and their score over a line's."""
    if not told:
        return
    low, high, truth = np.array([_ahead(one, one.dates[0], one.dates[2], one.true_limit) for one in told]).T
    inside = (low <= truth) & (truth <= high)
    bounds = share_interval(int(inside.sum()), len(told))
    yield Line(
        measure="limit dates 10-90 % hold", of=of, n=len(told), value=inside.mean(), low=bounds[0], high=bounds[1],
        at_least=0.75, at_most=0.85,
    )  # fmt: skip
    yield Line(measure="  met before the 10 % date", of=of, n=len(told), value=(truth < low).mean())
    yield Line(measure="  met after the 90 % date", of=of, n=len(told), value=(truth > high).mean())
    line_low, line_high, _ = np.array([_ahead(one, *one.line, one.true_limit) for one in told]).T
    ratio, low, high = ratio_interval(_score(low, high, truth), _score(line_low, line_high, truth))
    yield Line(
        measure="  interval score over a line's", of=of, n=len(told), value=ratio, low=low, high=high, at_most=0.75
    )


def _ahead(one: Told, *dates: float) -> list[float]:
    """Days from now, at least one; what lies beyond the farthest counts as the farthest."""
    return [float(np.clip(at - one.now, 1.0, one.farthest)) for at in dates]


def _score(low: np.ndarray, high: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Interval scores of 80 % intervals on log days (Gneiting and Raftery 2007, JASA 102, 359-378)."""
    low, high, truth = np.log(low), np.log(high), np.log(truth)
    return high - low + 10 * np.maximum(low - truth, 0) + 10 * np.maximum(truth - high, 0)


def _told(fleet: Fleet) -> Iterator[Told]:
    plants = fleet.plants
    start = np.searchsorted(fleet.vehicle, np.arange(len(plants.where) + 1))
    known = fleet.day < WEEKS * 7
    begun = _kept(fleet, known)
    family = drift_of(begun, PROMISE).families[0]
    alarm = np.zeros((len(known), CORRECTIONS), dtype=bool)
    alarm[known] = family.alarm
    cut = {}
    for v in np.flatnonzero(plants.where >= 0):
        rows = np.arange(start[v], start[v + 1])[known[start[v] : start[v + 1]]]
        on, changed = alarm[rows, plants.where[v]], fleet.day[rows] > plants.onset[v]
        first = np.flatnonzero(on & changed)
        quiet = not on[np.flatnonzero(~changed)[-1]]
        if quiet and len(first) and first[0] + AFTER < len(rows):
            cut[v] = rows[first[0] + AFTER]
            known[cut[v] + 1 : start[v + 1]] = False
    states = drift_of(_kept(fleet, known), PROMISE).correction_state.filter("alarm")
    by_key = {(row["vehicle_id"], row["correction"]): row for row in states.iter_rows(named=True)}
    for v, row in cut.items():
        c = plants.where[v]
        state = by_key.get((f"vehicle-{v:05d}", f"channel_{c + 1}"))
        if state is not None:
            yield _one(fleet, v, c, np.arange(start[v], start[v + 1]), row, state)


def _one(fleet: Fleet, v: int, c: int, rows: np.ndarray, row: int, state: dict) -> Told:  # noqa: PLR0917
    day, limit = fleet.day[rows], AUTHORITY
    path = fleet.level[v, c] + fleet.season[rows, c] + fleet.plants.change[rows, c]
    last = rows[rows <= row][-LINE_READINGS:]
    return Told(
        now=fleet.day[row],
        onset=tuple(_day(state[name]) for name in ("onset_low", "onset_at", "onset_high")),
        dates=tuple(_day(state[name]) for name in ("limit_at_p10", "limit_at_p50", "limit_at_p90")),
        true_onset=fleet.plants.onset[v],
        true_limit=_met(day, path * fleet.plants.sign[v], limit),
        line=line_dates(fleet.day[last], (path + fleet.noise[rows, c])[last - rows[0]], -limit, limit),
    )


def _kept(fleet: Fleet, known: np.ndarray) -> Fleet:
    """The fleet as far as known [R]: frames only."""
    evidence, history = fleet.evidence, fleet.history
    mask = pl.Series(known)
    snapshots = evidence.snapshots.filter(mask)
    evidence = replace(evidence, as_of=snapshots["read_at"].max(), snapshots=snapshots)
    return replace(fleet, evidence=evidence, history=replace(history, readings=history.readings.filter(mask)))


def _day(at: object) -> float:
    return np.inf if at is None else (at - START).total_seconds() / 86_400  # type: ignore[operator]


def _met(day: np.ndarray, path: np.ndarray, limit: float) -> float:
    """When a noise-free path meets the limit, between two readings by the straight line; inf: not in ten years."""
    over = np.flatnonzero(path >= limit)
    if not len(over):
        return np.inf
    i = over[0]
    return float(day[i - 1] + (day[i] - day[i - 1]) * (limit - path[i - 1]) / (path[i] - path[i - 1])) if i else day[0]


def line_dates(day: np.ndarray, value: np.ndarray, low: float, high: float) -> tuple[float, float]:
    """10 and 90 % dates of a least-squares line, by its slope's t distribution; inf: it leads to no limit."""
    x = day - day.mean()
    slope = (x * value).sum() / (x * x).sum()
    left = value - value.mean() - slope * x
    error = np.sqrt((left**2).sum() / (len(x) - 2) / (x * x).sum())
    now = value.mean() + slope * x[-1]
    slopes = abs(slope) + student.ppf([0.9, 0.1], len(x) - 2) * error
    room = max(high - now if slope > 0 else now - low, 0.0)
    early, late = (day[-1] + room / at if at > 0 else np.inf for at in slopes)
    return float(early), float(late)
