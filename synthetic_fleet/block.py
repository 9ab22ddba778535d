"""One block of vehicles lived day by day: what was read, what stood in the fault memory, what was done, the truth."""

import copy
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple

import numpy as np

from synthetic_fleet import corrections as c
from synthetic_fleet import world
from synthetic_fleet.constants import Constants
from synthetic_fleet.module import CONFIRMED, live_one_day
from synthetic_fleet.module_events import happen
from synthetic_fleet.scenario import Scenario, ScenarioError
from synthetic_fleet.state import REGIONS, Array, Events, Fleet, Today, new_events, taken
from synthetic_fleet.vehicles import Act, Vehicle, block_of, enlist
from synthetic_fleet.workshop import Workshop

AHEAD = 400  # days of weather beyond the end, for futures that are simulated but not written


@dataclass(frozen=True)
class Calendar:
    """The world that all blocks share; day 0 is the first one written."""

    start: datetime
    burn_in: int
    days: int
    weather: Array  # [burn_in + days + AHEAD, depots, 5]
    factor: Array  # [burn_in + days + AHEAD, duties]

    def today(self, day: int, dose: float = 1.0, wander: float = 1.0) -> Today:
        """A day as the compiled code takes it."""
        return Today(day, self.weather[day + self.burn_in], self.factor[day + self.burn_in], dose, wander)

    def times(self, days: Array, minutes: Array | int = 12 * 60) -> Array:
        """Days and minutes of the day as datetime64[us], UTC."""
        start = np.datetime64(self.start.replace(tzinfo=None), "us")
        return np.asarray(start + days.astype("timedelta64[D]") + np.asarray(minutes).astype("timedelta64[m]"))


def calendar_of(scenario: Scenario, *, weeks: int, seed: int) -> Calendar:
    """Weather, fuel and working days from the burn-in to beyond the last week."""
    first = scenario["start"]
    if not isinstance(first, date):
        raise ScenarioError(f"start: {first!r} is no date. Write one like 2030-01-07.")
    burn_in, days = int(scenario["burn_in_days"]), 7 * weeks
    before, total = first - timedelta(days=burn_in), burn_in + days + AHEAD
    sky = np.stack([world.weather(scenario, name, before, total, seed) for name in scenario["depots"]], axis=1)
    factor = world.work_factor(scenario, before, total)
    return Calendar(datetime(first.year, first.month, first.day, tzinfo=UTC), burn_in, days, sky, factor)


class Readings(NamedTuple):
    """One row a reading, in order of time."""

    row: Array
    day: Array
    values: Array  # [readings, corrections] float32, whole values, not yet quantised
    clock: Array
    km: Array
    warmups: Array
    cleared_km: Array
    lamp: Array
    electric: Array  # load on the battery, Nm beyond health
    calibration: Array
    module: Array  # text


# Calculated load in which each region lies, %; judgement.
LOADS = {
    "idle": (18.0, 28.0), "low": (28.0, 42.0), "mid": (42.0, 62.0), "high": (62.0, 85.0), "idle|low": (18.0, 42.0),
    "flow_1": (18.0, 28.0), "flow_2": (28.0, 42.0), "flow_3": (42.0, 55.0), "flow_4": (55.0, 70.0),
    "flow_5": (70.0, 85.0), "all": (18.0, 85.0),
}  # fmt: skip


class FaultSet(NamedTuple):
    """A code confirmed: when, and the defect that was worst then."""

    day: int
    row: int
    code: int
    clock: float
    defect: str | None
    cause: str
    load: float
    coolant: float


@dataclass
class Lived:
    """What one block left behind."""

    number: int
    vehicles: list[Vehicle]
    fleet: Fleet
    workshop: Workshop
    readings: Readings
    faults: list[tuple[Any, ...]] = field(default_factory=list)  # see writing.FAULTS
    fault_sets: list[FaultSet] = field(default_factory=list)
    severities: list[tuple[int, Array, Array, Array]] = field(default_factory=list)  # day, rows, slots' names, severity
    deviations: list[tuple[int, Array, Array, Array]] = field(default_factory=list)  # day, rows, corrections, deviation
    crossings: list[tuple[int, int, int]] = field(default_factory=list)  # row, correction, day
    snapshots: dict[int, Fleet] = field(default_factory=dict)  # whole states kept for the oracle, by day


@dataclass
class Life:
    """A block in the middle of its life: stops at the end of any day, takes orders, can be copied, goes on."""

    lived: Lived
    calendar: Calendar
    todo: dict[int, list[tuple[int, Act]]]  # by day: row and act
    reads: dict[int, list[int]]  # by day: rows
    day: int  # the next one to be lived
    position: int = 0  # readings taken

    def go_on(self, until: int, *, keep_days: tuple[int, ...] = ()) -> None:
        """Live the days before `until`; of `keep_days` the whole state is kept at their ends."""
        lived, constants = self.lived, self.lived.workshop.constants
        events = new_events(len(lived.vehicles))
        for day in range(self.day, until):
            for row, act in self.todo.pop(day, ()):
                for later in happen(lived.workshop, row, act):
                    self.todo.setdefault(max(later.day, day + 1), []).append((row, later))
            live_one_day(self.calendar.today(day), constants.world, lived.fleet, events)
            for row, later in _after_faults(lived, events, day):
                self.order(row, later)
            _by_itself(lived, day)
            if day in self.reads:
                self.position = _read(lived, np.array(self.reads[day]), day, self.position)
            if day >= 0 and day % 7 == 6:
                _keep_truth(lived, day)
            if day in keep_days:
                lived.snapshots[day] = taken(lived.fleet, np.arange(len(lived.vehicles)))
        self.day = until

    def order(self, row: int, act: Act) -> None:
        """Have something happen to a row on a day that is not lived yet."""
        self.todo.setdefault(act.day, []).append((row, act))

    def call_off(self, kind: str) -> None:
        """Take everything of a kind that is still to come off the agenda."""
        self.todo = {day: [(row, act) for row, act in acts if act.kind != kind] for day, acts in self.todo.items()}

    def copied(self) -> "Life":
        """The same block, free to live another future with the same luck."""
        shared = (self.calendar, self.lived.workshop.constants)
        return copy.deepcopy(self, {id(one): one for one in shared})

    def so_far(self) -> Lived:
        """What it has left behind, without room for readings to come."""
        return replace(self.lived, readings=Readings(*(column[: self.position] for column in self.lived.readings)))


def begin_life(constants: Constants, calendar: Calendar, numbers: range, seed: int, *, number: int = 0) -> Life:
    """These vehicles before the first day of the burn-in.

    Args:
        constants: Of the scenario.
        calendar: The world.
        numbers: Which vehicles.
        seed: Of the fleet.
        number: Of the block, for its files.
    """
    vehicles = [enlist(constants, n, (-calendar.burn_in, calendar.days), seed) for n in numbers]
    fleet = block_of(constants, vehicles, seed)
    lived = Lived(number, vehicles, fleet, Workshop(constants, fleet, vehicles, calendar.start), _no_readings(vehicles))
    todo, reads = _agenda(vehicles)
    return Life(lived=lived, calendar=calendar, todo=todo, reads=reads, day=-calendar.burn_in)


def live(
    constants: Constants,
    calendar: Calendar,
    numbers: range,
    seed: int,
    *,
    keep_days: tuple[int, ...] = (),
    number: int = 0,
) -> Lived:
    """Let these vehicles live from before the first day to the last.

    Args:
        constants: See `begin_life`; so `calendar`, `numbers`, `seed` and `number`.
        calendar: The world.
        numbers: Which vehicles.
        seed: Of the fleet.
        keep_days: Days at whose end the whole state is kept.
        number: Of the block.
    """
    life = begin_life(constants, calendar, numbers, seed, number=number)
    life.go_on(calendar.days, keep_days=keep_days)
    return life.lived


def _agenda(vehicles: list[Vehicle]) -> tuple[dict[int, list[tuple[int, Act]]], dict[int, list[int]]]:
    """By day: what is planned for which row, and which rows are read."""
    todo: dict[int, list[tuple[int, Act]]] = {}
    reads: dict[int, list[int]] = {}
    for row, vehicle in enumerate(vehicles):
        for act in vehicle.acts:
            todo.setdefault(act.day, []).append((row, act))
        for day in vehicle.reads:
            reads.setdefault(day, []).append(row)
    return todo, reads


def _no_readings(vehicles: list[Vehicle]) -> Readings:
    total = sum(len(vehicle.reads) for vehicle in vehicles)
    whole, real = np.int64, np.float64
    return Readings(
        row=np.zeros(total, whole),
        day=np.zeros(total, whole),
        values=np.zeros((total, c.COUNT), np.float32),
        clock=np.zeros(total, real),
        km=np.zeros(total, real),
        warmups=np.zeros(total, real),
        cleared_km=np.zeros(total, real),
        lamp=np.zeros(total, bool),
        electric=np.zeros(total, real),
        calibration=np.zeros(total, whole),
        module=np.zeros(total, "U12"),
    )


def _after_faults(lived: Lived, events: Events, day: int) -> list[tuple[int, Act]]:
    """Keep the codes confirmed today; the visits they lead to."""
    workshop, fleet = lived.workshop, lived.fleet
    visits = []
    for k in range(int(events.total[0])):
        row, code = int(events.row[k]), int(events.code[k])
        rng = lived.vehicles[row].rng
        worst = [slot for slot in workshop.ailing(row) if fleet.defects.on[row, slot]]
        entry: dict[str, Any] = workshop.standing[row, worst[0]] if worst else {"defect": None, "cause": "none"}
        load, coolant = _frozen_load(lived, row, code, float(rng.uniform())), float(rng.normal(86, 6))
        clock = float(fleet.memory.set_clock[row, code])
        lived.fault_sets.append(FaultSet(day, row, code, clock, entry["defect"], entry["cause"], load, coolant))
        name = workshop.constants.codes[code]
        depot = list(workshop.constants.scenario["depots"].values())[lived.vehicles[row].depot]
        stranded = workshop.breaks_down(row, day + 1, name)
        wait = 0 if stranded else int(rng.exponential(depot["wait_days"]))
        visits.append((row, Act(day + 1 + wait, "lamp")))
    return visits


def _frozen_load(lived: Lived, row: int, code: int, share: float) -> float:
    """Engine load (%) when a code set: in the region in which the correction learns that is farthest off its health.

    A code of a limit sets where that limit is met; one that no correction sets, at any load.
    """
    state, monitors = lived.fleet.vehicles[row], lived.workshop.constants.world.monitors
    sets = (monitors.high[state.family] == code) | (monitors.low[state.family] == code)
    settings = lived.workshop.constants.world.settings
    off = np.where(sets, np.abs(state.deviation) / (settings.high - settings.low), -1.0)
    region = REGIONS[settings.region[off.argmax()]] if sets.any() else "all"
    low, high = LOADS.get(region, LOADS["all"])
    return low + share * (high - low)


def _by_itself(lived: Lived, day: int) -> None:
    for row, slot in np.argwhere(lived.fleet.defects.ends <= day):
        lived.workshop.end(int(row), int(slot), day, "by_itself")


def _read(lived: Lived, who: Array, day: int, position: int) -> int:
    """Keep what a reading of these rows finds; the position after it."""
    state, memory, constants = lived.fleet.vehicles, lived.fleet.memory, lived.workshop.constants
    readings, here = lived.readings, slice(position, position + len(who))
    readings.row[here], readings.day[here] = who, day
    readings.values[here] = state.learned[who] + constants.world.settings.neutral
    readings.clock[here], readings.km[here] = state.clock[who], state.km[who]
    readings.warmups[here], readings.cleared_km[here] = state.warmups[who], state.km[who] - state.cleared_km[who]
    readings.lamp[here] = (memory.status[who] == CONFIRMED).any(axis=1)
    readings.electric[here] = state.learned[who, c.TORQUE_ALT]
    readings.calibration[here] = [lived.vehicles[row].calibration for row in who]
    readings.module[here] = [lived.vehicles[row].module for row in who]
    for k, code in np.argwhere(memory.status[who] > 0):
        _read_code(lived, int(who[k]), int(code), position + int(k))
    return position + len(who)


def _read_code(lived: Lived, row: int, code: int, reading: int) -> None:
    memory, constants = lived.fleet.memory, lived.workshop.constants
    confirmed, seen = bool(memory.status[row, code] == CONFIRMED), bool(memory.present[row, code])
    times = max(1, int(memory.occurrences[row, code]))
    lasting = confirmed and bool(memory.clean[row, code] < 8)  # three clean drives turn the lamp and the permanence off
    flags = (seen, seen or not confirmed, confirmed, lasting, times > 1 and not seen)
    lived.faults.append((reading, code, times, *flags, float(memory.set_clock[row, code])))
    if seen and confirmed:  # the module reckons with a default in place of the sensor
        for name in constants.scenario["substitutes"].get(constants.codes[code], ()):
            lived.readings.values[reading, c.INDEX[name]] = constants.world.settings.neutral[c.INDEX[name]]


def _keep_truth(lived: Lived, day: int) -> None:
    """The truth of a week's end: severities, deviations worth keeping, limits that the noise-free level met."""
    defects, state = lived.fleet.defects, lived.fleet.vehicles
    rows, slots = np.nonzero(defects.law >= 0)
    names = np.array([lived.workshop.standing[int(r), int(s)]["defect"] for r, s in zip(rows, slots, strict=True)])
    lived.severities.append((day, rows, names, defects.severity[rows, slots]))
    rows, columns = np.nonzero(state.deviation)
    lived.deviations.append((day, rows, columns, state.deviation[rows, columns].astype(np.float32)))
    for row, column in np.argwhere(state.crossed >= 0):
        lived.crossings.append((int(row), int(column), int(state.crossed[row, column])))
    state.crossed[:] = np.where(state.deviation == 0.0, -1, np.where(state.crossed >= 0, -2, state.crossed))
