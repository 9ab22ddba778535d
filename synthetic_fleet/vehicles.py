"""Who the vehicles are and what will happen to each, all from its own stream; then a block of them as arrays."""

from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from synthetic_fleet import corrections as c
from synthetic_fleet import defects, stream, world
from synthetic_fleet.constants import Constants, region_share
from synthetic_fleet.scenario import Scenario
from synthetic_fleet.state import CODE, DEFECT, NEVER, SLOTS, VEHICLE, Array, Fleet, records


class Act(NamedTuple):
    """Something that happens to a vehicle.

    Its kind: begin, join, retire, preventive, asked, certain, lamp, power_loss, program, module.
    """

    day: int
    kind: str
    what: Any = None


@dataclass
class Vehicle:
    """One vehicle: its identity, and what is planned for it."""

    number: int
    family: int
    depot: int
    duty: int
    use: float  # hours of an average day
    km: float
    own: Array  # its own normal, less neutral
    scatter: float  # of its noise, over a usual vehicle's
    scatters: Array  # of each correction's
    joined: int  # day
    retired: int
    rng: np.random.Generator
    module: str = ""
    calibration: int = 0
    acts: list[Act] = field(default_factory=list)
    reads: list[int] = field(default_factory=list)
    exposed: list[tuple[int, int, dict[str, float]]] = field(default_factory=list)  # from, to, factors on rates

    @property
    def ident(self) -> str:
        """The fleet number."""
        return f"WC-{self.number + 1:05d}"

    def factors_on(self, day: int) -> dict[str, float]:
        """Factors on the rates of causes on a day, see `exposures`."""
        return next((factors for begin, end, factors in self.exposed if begin <= day < end), {})


def enlist(constants: Constants, number: int, days: tuple[int, int], seed: int) -> Vehicle:
    """Draw one vehicle and its plan for days[0] (before the start) to days[1]."""
    scenario = constants.scenario
    rng = np.random.default_rng([seed, number, 1])
    kinds = [_pick(rng, scenario[name]) for name in ("families", "depots", "duties")]
    family, depot, duty = kinds
    use = list(scenario["duties"].values())[duty]["hours_a_day"] * rng.uniform(0.75, 1.25)
    years = days[1] / 365.25
    new = rng.random() < scenario["new_share_per_year"] * years
    gone = rng.random() < scenario["retired_share_per_year"] * years
    joined = int(rng.integers(1, days[1])) if new else days[0]
    retired = int(rng.integers(max(joined, 0) + 1, days[1] + 1)) if gone else NEVER
    km = 40.0 if new else float(rng.uniform(5e3, 1.8e5))
    scatter, scatters = _scatter(scenario, number, seed)
    vehicle = Vehicle(
        number, family, depot, duty, use, km, _own_normal(constants, rng), scatter, scatters, joined, retired, rng
    )
    vehicle.module = f"{_letters(family)}{number + 1:05d}A"
    vehicle.acts = _plan(constants, vehicle, days, seed)
    vehicle.reads = [day for day in reading_days(scenario, days[1], rng) if max(joined, 0) <= day < retired]
    return vehicle


def _letters(family: int) -> str:
    return f"E{family + 1}-"


def _pick(rng: np.random.Generator, table: dict[str, Any]) -> int:
    edges = np.cumsum(defects.shares({name: entry["share"] for name, entry in table.items()}))
    return int(np.searchsorted(edges, rng.random(), side="right").clip(0, len(edges) - 1))


def _own_normal(constants: Constants, rng: np.random.Generator) -> Array:
    """A vehicle's own normal: parts of it shared by the trims, by idle air and by the knock of all cylinders."""
    noise = constants.world.settings.noise
    spread = constants.scenario["healthy"]["spread"]
    own = np.clip(rng.standard_normal(c.COUNT), -2.5, 2.5)
    shared = np.clip(rng.standard_normal(3), -2.5, 2.5)
    base = spread * noise * own
    for group, size, part in (
        (slice(c.LTFT, c.ADD), 0.7, 0),
        (slice(c.IAC, c.CLOSED), 0.6, 1),
        (slice(c.KNOCK, c.SEG), 0.7, 2),
    ):
        base[group] = size * base[group] + 0.8 * spread * noise[group] * shared[part]
    return np.asarray(base)


def _scatter(scenario: Scenario, number: int, seed: int) -> tuple[float, Array]:
    """How much a vehicle's noise scatters over a usual one's, and each of its corrections."""
    healthy, rng = scenario["healthy"], np.random.default_rng([seed, number, 7])
    scatter = float(np.exp(rng.normal(0.0, healthy["vehicle_scatter"])))
    return scatter, np.asarray(scatter * np.exp(rng.normal(0.0, healthy["series_scatter"], c.COUNT)))


def _plan(constants: Constants, vehicle: Vehicle, days: tuple[int, int], seed: int) -> list[Act]:
    scenario, rng = constants.scenario, vehicle.rng
    family = constants.families[vehicle.family]
    workshop = scenario["workshop"]
    last = min(days[1], vehicle.retired)
    acts = [Act(day, "program", k) for k, day in _roll_out(family, vehicle.joined, last, rng)]
    if vehicle.joined > days[0]:
        acts.append(Act(vehicle.joined, "join"))
    if vehicle.retired < NEVER:
        acts.append(Act(vehicle.retired, "retire"))
    day = float(max(vehicle.joined, 0)) + float(rng.uniform(0, workshop["preventive_days"]))
    while day < last:
        acts.append(Act(int(day), "preventive"))
        day += workshop["preventive_days"] * rng.uniform(0.8, 1.2)
    for what in ("power_loss", "module"):
        rate = workshop[f"{what}_per_1000_years"] / 1000
        first = max(vehicle.joined, 0)
        acts += [Act(int(d), what) for d in rng.integers(first, last, rng.poisson(rate * (last - first) / 365.25))]
    vehicle.exposed = exposures(scenario, vehicle, acts, (vehicle.joined, last))
    for begin, end, factors in vehicle.exposed:
        rates = defects.rates(scenario, family, factors)
        acts += [Act(d.day, "begin", d) for d in defects.onsets(constants, family, (begin, end), rng, rates)]
    depot = list(scenario["depots"])[vehicle.depot]
    for filled, kind in world.bad_tanks(scenario, depot, days, seed):
        if vehicle.joined <= filled < last and rng.random() < scenario["fuel"]["bad_tank_reaches"]:
            defect = defects.make(scenario, family, "fuel_contaminated", filled, rng, law="step", variant=kind)
            acts.append(Act(filled, "begin", defect))
    return sorted(acts, key=lambda act: act.day)


def _roll_out(family: dict[str, Any], joined: int, last: int, rng: np.random.Generator) -> list[tuple[int, int]]:
    """Which calibration comes when: (number, day), after the first."""
    found = []
    for k, entry in enumerate(family["calibrations"][1:], start=1):
        day = entry["released_day"] + int(rng.integers(0, entry["roll_out_days"]))
        reached = rng.random() < entry["reaches"]
        if reached and joined <= day < last:
            found.append((k, day))
    return found


def exposures(
    scenario: Scenario, vehicle: Vehicle, acts: list[Act], days: tuple[int, int]
) -> list[tuple[int, int, dict[str, float]]]:
    """Spans of days with the factors on the causes' rates that depot, duty and calibration bring in them."""
    calibrations = list(scenario["families"].values())[vehicle.family]["calibrations"]
    marks = [(days[0], 0), *((act.day, act.what) for act in acts if act.kind == "program")]
    marks.sort()
    spans = []
    for (begin, calibration), (end, _) in zip(marks, [*marks[1:], (days[1], -1)], strict=True):
        levels = {
            "depot": list(scenario["depots"])[vehicle.depot],
            "duty": list(scenario["duties"])[vehicle.duty],
            "calibration": calibrations[calibration]["name"],
        }
        factors: dict[str, float] = {}
        for entry in scenario["exposures"]:
            if levels[entry["what"]] == entry["level"]:
                factors[entry["cause"]] = factors.get(entry["cause"], 1.0) * entry["factor"]
        spans.append((begin, end, factors))
    return spans


def reading_days(scenario: Scenario, last: int, rng: np.random.Generator) -> list[int]:
    """Days on which one vehicle is read, in order."""
    seldom = rng.random() < scenario["irregular_share"]
    mean = scenario["irregular_days"] if seldom else scenario["reading_days"]
    spread = 0.6 * mean if seldom else scenario["reading_days_sd"]
    gaps = np.maximum(1, np.rint(rng.normal(mean, spread, int(2.5 * last / mean) + 8))).astype(int)
    days = int(rng.integers(0, 7)) + np.cumsum(gaps) - gaps[0]
    days = days[rng.random(len(days)) >= scenario["missed_share"]]
    return [int(day) for day in days[days < last]]


def block_of(constants: Constants, vehicles: list[Vehicle], seed: int) -> Fleet:
    """Vehicles as the records that the compiled day works on."""
    duties = list(constants.scenario["duties"].values())
    state = records(len(vehicles), VEHICLE)
    for name in ("family", "depot", "duty", "use", "km", "own", "scatter", "scatters"):
        state[name] = [getattr(vehicle, name) for vehicle in vehicles]
    state.active = [vehicle.joined < 0 for vehicle in vehicles]
    state.stream = stream.start(seed, np.array([vehicle.number for vehicle in vehicles]), 0)
    state.kmh = [duties[vehicle.duty]["km_h"] for vehicle in vehicles]
    state.regions = [region_share(duties[vehicle.duty]["regions"]) for vehicle in vehicles]
    state.clock = state.km / state.kmh
    state.warmups = np.where(state.km < 100, 0.0, 400.0)
    state.crossed = -1
    memory = records((len(vehicles), len(constants.codes)), CODE)
    return Fleet(state, no_defects(len(vehicles)), memory)


def no_defects(rows: int) -> Any:
    """Healthy vehicles' defects."""
    free = records((rows, SLOTS), DEFECT)
    free.law, free.part, free.cause, free.place, free.ends, free.on = -1, -1, -1, -1, NEVER, True
    return free
