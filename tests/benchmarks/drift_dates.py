"""What an alarm says eight readings later: since when, and when the limit will be met; held against the truth.

Every second vehicle has one change. Each of them is cut eight readings after its alarm, the others stay whole: since a
row's result rests on rows up to it alone, one pass then tells of every alarm at that age. Cells of one law a fleet, and
a fleet of all laws together whose vehicles and series scatter differently. A limit is met when a correction is there on
two days running, its noise (daily, of the same memory) with it.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from drift_delay import name_of
from drift_fleets import START, Fleet, World, light_fleet
from drift_light import drift_of
from drift_plants import BENIGN, LAWS, one_each, one_of_each_law
from drift_table import Line, median_interval, ratio_interval, share_interval
from scipy.signal import lfilter
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
MIXED_WEEKS = 150  # read of the fleet of all laws
MEMORY_DAYS = -7 / np.log(0.5)  # of the light fleets' noise
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
    law: str = ""


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


def law_lines(*, vehicles: int, seeds: range) -> Iterator[Line]:
    """Limit dates in fleets of all laws together, law by law and pooled; every second seed with a farther limit."""
    every: list[Told] = []
    for seed in seeds:
        world = World(
            vehicles=vehicles, corrections=CORRECTIONS, weeks=TRUTH_WEEKS, depot_season=0.2, season=0.7, centre=2.0,
            authority=AUTHORITY + 10 * (seed % 2), vehicle_scatter=0.3, series_scatter=0.1, seed=seed,
        )  # fmt: skip
        fleet = light_fleet(world, one_of_each_law(CORRECTIONS, share=0.6))
        every += [one for one in _told(fleet, MIXED_WEEKS, world.authority) if one.true_limit > one.now + 1]
    for law in LAWS:
        yield from limit_lines(law, [one for one in every if one.law == law], at_least=0.65, at_most=0.95)
    yield from limit_lines("all laws together", every, at_least=0.75, at_most=0.88)
    for place, target in enumerate(((0.05, 0.2), (0.42, 0.58), (0.8, 0.95))):
        given = [one for one in every if np.isfinite(one.dates[place])]
        met = sum(one.true_limit <= one.dates[place] for one in given)
        low, high = share_interval(met, len(given))
        yield Line(
            measure=f"  met by their {(10, 50, 90)[place]} % date", of="all laws together", n=len(given),
            value=met / max(len(given), 1), low=low, high=high, at_least=target[0], at_most=target[1],
        )  # fmt: skip


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


def limit_lines(of: str, told: list[Told], *, at_least: float = 0.75, at_most: float = 0.88) -> Iterator[Line]:
    """How often the 10 to 90 % dates hold the noise-free crossing, and their score over a line's."""
    if not told:
        return
    low, high, truth = np.array([_ahead(one, one.dates[0], one.dates[2], one.true_limit) for one in told]).T
    inside = (low <= truth) & (truth <= high)
    bounds = share_interval(int(inside.sum()), len(told))
    yield Line(
        measure="limit dates 10-90 % hold", of=of, n=len(told), value=inside.mean(), low=bounds[0], high=bounds[1],
        at_least=at_least, at_most=at_most,
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


def _told(fleet: Fleet, weeks: int = WEEKS, limit: float = AUTHORITY) -> Iterator[Told]:
    plants = fleet.plants
    start = np.searchsorted(fleet.vehicle, np.arange(len(plants.where) + 1))
    known = fleet.day < weeks * 7
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
            yield _one(fleet, v, c, np.arange(start[v], start[v + 1]), row, state, limit)


def _one(  # noqa: PLR0917
    fleet: Fleet, v: int, c: int, rows: np.ndarray, row: int, state: dict, limit: float
) -> Told:
    path = fleet.level[v, c] + fleet.season[rows, c] + fleet.plants.change[rows, c]
    last = rows[rows <= row][-LINE_READINGS:]
    return Told(
        now=fleet.day[row],
        onset=tuple(_day(state[name]) for name in ("onset_low", "onset_at", "onset_high")),
        dates=tuple(_day(state[name]) for name in ("limit_at_p10", "limit_at_p50", "limit_at_p90")),
        true_onset=fleet.plants.onset[v],
        true_limit=_met(fleet, v, c, rows, row, path, limit),
        law=LAWS[fleet.plants.law[v]] if len(fleet.plants.law) else "",
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


def _met(fleet: Fleet, v: int, c: int, rows: np.ndarray, row: int, path: np.ndarray, limit: float) -> float:  # noqa: PLR0917
    """First day after a reading on which it has been at its limit two days running; inf: not in the record."""
    sign = fleet.plants.sign[v]
    day = np.arange(np.ceil(fleet.day[row]), fleet.day[rows[-1]])
    rng = np.random.default_rng([3, v])
    memory = np.exp(-1 / MEMORY_DAYS)
    fresh = fleet.scatter[v] * np.sqrt(1 - memory**2) * rng.standard_normal(len(day))
    noise = lfilter([1.0], [1.0, -memory], fresh, zi=[memory * fleet.noise[row, c] * sign])[0]
    there = np.interp(day, fleet.day[rows], path * sign) + noise >= limit
    both = np.flatnonzero(there[1:] & there[:-1])
    return float(day[both[0] + 1]) if len(both) else np.inf


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
