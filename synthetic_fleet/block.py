"""One block of vehicles lived day by day: what was read, what stood in the fault memory, what was done, the truth."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

from synthetic_fleet import corrections as c
from synthetic_fleet import defects
from synthetic_fleet.fleet import Constants, Rows, new_rows
from synthetic_fleet.module import live_one_day
from synthetic_fleet.workshop import Workshop

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Calendar:
    """The world that all blocks share."""

    start: datetime
    burn_in: int
    days: int
    weather: Array  # [burn_in + days, depots, 5]
    factor: Array  # [burn_in + days, duties]


@dataclass
class Lived:
    """What one block left behind."""

    ids: list[str]
    rows: Rows
    read_row: Array  # [readings]
    read_day: Array
    read_minute: Array
    values: Array  # [readings, corrections] float32, not yet quantised
    around: Array  # [readings, 8]: clock, km, ambient, kPa, warm-ups, km since clear, lamp, battery volts
    faults: list[
        tuple[Any, ...]
    ]  # reading, code, occurrences, present, pending, confirmed, permanent, intermittent, clock
    fault_sets: list[tuple[int, int, int, float]]  # day, row, code, clock
    workshop: Workshop
    severities: list[tuple[int, int, int, int, float]]  # day, row, cause, place, severity
    deviations: list[tuple[Array, Array, Array, int]]  # rows, corrections, values, day


def live(constants: Constants, calendar: Calendar, numbers: Array, seed: int) -> Lived:
    """Let these vehicles live from before the first day to the last."""
    scenario = constants.scenario
    rngs = [np.random.default_rng([seed, int(number), 1]) for number in numbers]
    rows = new_rows(constants, numbers, seed, rngs)
    ids = [f"WC-{number + 1:05d}" for number in numbers]
    families = list(scenario["families"].values())
    workshop = Workshop(constants, rows, ids, rngs, calendar.start)
    first, last = -calendar.burn_in, calendar.days
    todo: dict[int, list[tuple[str, int, Any]]] = {}
    reads: dict[int, list[int]] = {}
    for row, rng in enumerate(rngs):
        for defect in defects.plan(constants, families[rows.family_of[row]], first // 2, last, rng):
            todo.setdefault(defect.day, []).append(("begin", row, defect))
        _plan_visits(scenario, row, last, rng, todo)
        for day in reading_days(scenario, last, rng):
            reads.setdefault(day, []).append(row)
    total = sum(map(len, reads.values()))
    lived = Lived(
        ids, rows, np.zeros(total, np.int64), np.zeros(total, np.int64), np.zeros(total, np.int64),
        np.full((total, c.COUNT), np.nan, np.float32), np.zeros((total, 8)), [], [], workshop, [], [],
    )  # fmt: skip
    events = (np.zeros((4 * len(numbers) + 64, 4)), np.zeros(1, np.int64))
    position = 0
    for day in range(first, last):
        for kind, row, what in todo.pop(day, ()):
            _do(workshop, kind, row, day, what)
        for day_due, row, defect in workshop.returning:
            todo.setdefault(max(day_due, day + 1), []).append(("begin", row, defect))
        workshop.returning.clear()
        events[1][0] = 0
        live_one_day(
            day, calendar.weather[day - first], calendar.factor[day - first], constants.families, constants.settings,
            rows.vehicles, rows.defects, rows.memory, constants.monitors, events, 1.0,
        )  # fmt: skip
        _after_faults(lived, events, day, scenario, rngs, todo)
        if day % 7 == 0:
            for row, slot in np.argwhere(rows.ends <= day):
                workshop.end(int(row), int(slot), day, "by_itself")
        if day >= 0:
            if day in reads:
                position = _read(lived, np.array(reads[day]), day, position, calendar, rngs)
            if day % 7 == 6:
                _keep_truth(lived, constants, day)
    return lived


def _plan_visits(
    scenario: dict[str, Any], row: int, last: int, rng: np.random.Generator, todo: dict[int, list[tuple[str, int, Any]]]
) -> None:
    day = float(rng.uniform(0, scenario["workshop"]["preventive_days"]))
    while day < last:
        todo.setdefault(int(day), []).append(("preventive", row, None))
        day += scenario["workshop"]["preventive_days"] * rng.uniform(0.8, 1.2)
    lost = rng.poisson(scenario["workshop"]["power_loss_per_1000_years"] / 1000 * last / 365.25)
    for when in rng.integers(0, last, lost):
        todo.setdefault(int(when), []).append(("power", row, None))


def _do(workshop: Workshop, kind: str, row: int, day: int, what: Any) -> None:
    if kind == "begin":
        workshop.begin(row, what)
    elif kind == "preventive":
        workshop.preventive(row, day)
    elif kind == "lamp":
        workshop.after_lamp(row, day)
    elif kind == "power":
        workshop.lose_power(row, day)


def reading_days(scenario: dict[str, Any], last: int, rng: np.random.Generator) -> list[int]:
    """Days on which one vehicle is read, in order."""
    seldom = rng.random() < scenario["irregular_share"]
    mean = scenario["irregular_days"] if seldom else scenario["reading_days"]
    spread = 0.6 * mean if seldom else scenario["reading_days_sd"]
    gaps = np.maximum(1, np.rint(rng.normal(mean, spread, int(2.5 * last / mean) + 8))).astype(int)
    days = int(rng.integers(0, 7)) + np.cumsum(gaps)
    days = days[rng.random(len(days)) >= scenario["missed_share"]]
    return [int(day) for day in days[days < last]]


def _after_faults(
    lived: Lived, events: tuple[Array, Array], day: int, scenario: dict[str, Any], rngs: list[np.random.Generator],
    todo: dict[int, list[tuple[str, int, Any]]],
) -> None:  # fmt: skip
    for row_, code, clock, _ in events[0][: events[1][0]]:
        row = int(row_)
        if day >= 0:
            lived.fault_sets.append((day, row, int(code), float(clock)))
        depot = lived.workshop.depots[lived.rows.depot_of[row]]
        wait = 1 + int(rngs[row].exponential(depot["wait_days"]))
        todo.setdefault(day + wait, []).append(("lamp", row, None))


def _read(
    lived: Lived, who: Array, day: int, position: int, calendar: Calendar, rngs: list[np.random.Generator]
) -> int:
    rows = lived.rows
    here = slice(position, position + len(who))
    lived.read_row[here] = who
    lived.read_day[here] = day
    lived.read_minute[here] = [int(rngs[row].integers(15 * 60, 20 * 60)) for row in who]
    lived.values[here] = rows.learned[who]
    weather = calendar.weather[day + calendar.burn_in]
    depot = rows.depot_of[who]
    lived.around[here] = np.column_stack(
        [rows.clock[who], rows.km[who], weather[depot, 0], weather[depot, 1], rows.warmups[who],
         rows.distance_clear[who], (rows.status[who] == 2).any(axis=1), np.full(len(who), 12.6)]
    )  # fmt: skip
    for k, code in np.argwhere(rows.status[who] > 0):
        row = who[k]
        confirmed = rows.status[row, code] == 2
        seen = bool(rows.present[row, code])
        times = int(rows.occurrences[row, code])
        lived.faults.append(
            (position + int(k), int(code), max(times, 1), seen, not confirmed or seen, bool(confirmed),
             bool(confirmed and rows.clean[row, code] < 8), bool(times > 1 and not seen), float(rows.set_clock[row, code]))
        )  # fmt: skip
    return position + len(who)


def _keep_truth(lived: Lived, constants: Constants, day: int) -> None:
    rows = lived.rows
    for row, slot in np.argwhere(rows.law >= 0):
        lived.severities.append(
            (day, int(row), int(rows.cause[row, slot]), int(rows.place[row, slot]), float(rows.severity[row, slot]))
        )
    big = np.abs(rows.deviation) > 0.1 * np.maximum(constants.sigma, 1e-9)
    who, what = np.nonzero(big)
    lived.deviations.append((who, what, rows.deviation[who, what].astype(np.float32), day))


def at(calendar: Calendar, days: Array, minutes: Array | int = 12 * 60) -> Array:
    """Days since the start and minutes of the day as datetime64[us]."""
    start = np.datetime64(calendar.start.replace(tzinfo=None), "us")
    return start + days.astype("timedelta64[D]") + np.asarray(minutes).astype("timedelta64[m]")


_ = timedelta
