"""What an alarm means on any day: `python tests/benchmarks/normal_table.py [--light 4] [--simulated 3 --cache DIR]`.

Fleets whose vehicles and series differ in scatter (log sd 0.3 and 0.1), with depots and duties that differ, one depot
at altitude, and vehicles that move: light ones, healthy and with defects, and the simulator's (its depot on the moor
1,750 m up, 20 kPa lower). Of vehicles that never had a defect: how many stand in alarm on a date; new alarms a
vehicle and year, by how much it scatters against the median. Of alarms that stand on the last day: how many read inside
the band that the chart shows, how old they are. Of defects: weeks from when one can be told (generalised least squares,
signal over noise of 4) to the alarm.
"""

import argparse
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from drift_fleets import Fleet, World, light_fleet
from drift_light import drift_of, truths_of
from drift_promise import Truth, Watched
from drift_simulated import Simulated, healthy_changes
from drift_simulated import truths_of as simulated_truths
from drift_table import HEADER, Line, median_interval, rate_interval, share_interval

from pipelines.bands.normal import days, vehicle_of_row
from pipelines.drift.states import BAND_SIGMAS
from pipelines.handover import Drift, FamilyDrift
from pipelines.intake.load import load
from pipelines.store.folder import Store
from synthetic_fleet.scenario import read_scenario
from synthetic_fleet.simulate import simulate

PROMISE = 0.1
CLASSES = (0.0, 0.8, 0.95, 1.05, 1.2, 1.4, 9.0)  # scatter over the median
FROM_DAY, DATE_DAYS = 218.0, 28.0  # dates on which standing alarms are counted: 26 settled weeks and more have passed
TOLD = 4.0  # signal over noise from which a defect can be told
NULL, LARGE = 0.5, 16.0  # sigmas
WORLD = World(
    vehicles=150, families=2, weeks=104, corrections=30, depots=3, memory=(0.2, 0.5, 0.8), tails=(0.0, 6.0),
    step=(0.0, 0.0, 0.5), missed=0.06, resets=0.2, learn_hours=4.0, depot_level=2.0, duty_level=1.0, altitude=20.0,
    moving=0.1, vehicle_scatter=0.3, series_scatter=0.1,
)  # fmt: skip
MOOR = {"depots": {"High Moor": {"altitude_m": 1750, "mean_c": 2.0, "ethanol": 1.0}}}  # local fuel, too


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One family with its truth, by rows of its panel: deviation [R, C] in sigmas, high [R]: at altitude.

    sure: [R, C] the least that the deviation was at the ends of the week that the reading lies in: a defect that began,
    or was mended, within it may not be in the reading.

    scatter: [V] of vehicles over the median; None: not known.
    """

    family: FamilyDrift
    deviation: np.ndarray
    high: np.ndarray
    scatter: np.ndarray | None
    sure: np.ndarray | None = None


def table(of: str, seen: list[Seen], watched: Watched) -> Iterator[Line]:
    """The lines of one kind of fleet."""
    yield from _standing(of, seen)
    yield from _new(of, seen, watched)
    yield from _open(of, seen)
    yield from _large(of, seen)
    delays = np.concatenate([_delays(one) for one in seen])
    if len(delays):
        middle, low, high = median_interval(delays)
        yield Line(measure="weeks from detectable to alarm", of=of, n=len(delays), value=middle, low=low, high=high,
                   at_most=1.0)  # fmt: skip
        found = int(np.isfinite(delays).sum())
        low, high = share_interval(found, len(delays))
        yield Line(
            measure="detectable ones in alarm", of=of, n=len(delays), value=found / len(delays), low=low, high=high
        )


def _standing(of: str, seen: list[Seen]) -> Iterator[Line]:
    """Healthy vehicles in alarm on a date; the interval is over vehicles, whose dates are one cluster."""
    for place in ("sea level", "altitude"):
        counts, exposures = [], []
        for one in seen:
            panel, day = one.family.panel, days(one.family.panel)
            on_date = (day - day.min() > FROM_DAY) & (np.floor(day / 7) % (DATE_DAYS / 7) == 0)
            rows = on_date & (one.high == (place == "altitude"))
            vehicle, healthy = vehicle_of_row(panel), _healthy(one)
            rows &= healthy[vehicle]
            counts.append(np.bincount(vehicle[rows], one.family.alarm[rows].any(axis=1), len(panel.vehicles)))
            exposures.append(np.bincount(vehicle[rows], minlength=len(panel.vehicles)).astype(float))
        count, exposure = np.concatenate(counts), np.concatenate(exposures)
        if exposure.sum():
            low, high = rate_interval(count, exposure)
            yield Line(measure=f"healthy in alarm, {place}", of=of, n=int(exposure.sum()),
                       value=count.sum() / exposure.sum(), low=low, high=high, at_most=0.015)  # fmt: skip


def _healthy(one: Seen) -> np.ndarray:
    """[V] vehicles that never had a defect."""
    worst = np.abs(one.deviation).max(axis=1)
    start = one.family.panel.row_start
    return np.array([worst[a:b].max(initial=0.0) < NULL for a, b in pairwise(start)])


def _new(of: str, seen: list[Seen], watched: Watched) -> Iterator[Line]:
    """New alarms a healthy vehicle-year, all and by how much a vehicle scatters."""
    time = watched.time.filter("null", "counted")
    alarms = watched.alarms.filter("null", "counted").filter(kind="null")
    years, raised = _by_vehicle(time), _by_vehicle(alarms)
    names = sorted(years)
    count, exposure = np.array([raised.get(name, 0.0) for name in names]), np.array([years[name] for name in names])
    low, high = rate_interval(count, exposure)
    yield Line(measure="new alarms a healthy year", of=of, n=int(count.sum()), value=count.sum() / exposure.sum(),
               low=low, high=high, at_least=0.075, at_most=0.125)  # fmt: skip
    scatter = {name: value for one in seen if one.scatter is not None
               for name, value in zip(one.family.panel.vehicles, one.scatter, strict=True)}  # fmt: skip
    if not scatter:
        return
    of_vehicle = np.array([scatter[name.rpartition(" ")[2]] for name in names])
    for low_edge, high_edge in pairwise(CLASSES):
        mine = (of_vehicle >= low_edge) & (of_vehicle < high_edge)
        if exposure[mine].sum() > 0:
            low, high = rate_interval(count[mine], exposure[mine])
            yield Line(measure=f"  scatter {low_edge:g} to {high_edge:g}", of=of, n=int(count[mine].sum()),
                       value=count[mine].sum() / exposure[mine].sum(), low=low, high=high)  # fmt: skip


def _by_vehicle(rows) -> dict[str, float]:  # type: ignore[no-untyped-def]
    """Years, or alarms, of each vehicle."""
    value = "years" if "years" in rows.columns else None
    out: dict[str, float] = {}
    for name, worth in zip(rows["vehicle"], rows[value] if value else [1.0] * rows.height, strict=True):
        out[name] = out.get(name, 0.0) + worth
    return out


def _open(of: str, seen: list[Seen]) -> Iterator[Line]:
    """Alarms of healthy vehicles that stand on the last day."""
    inside, ages = [], []
    for one in seen:
        family, panel = one.family, one.family.panel
        healthy, day = _healthy(one), days(panel)
        for v in np.flatnonzero(healthy):
            rows = np.arange(panel.row_start[v], panel.row_start[v + 1])
            for c in np.flatnonzero(family.alarm[rows[-1]] if len(rows) else []):
                read = rows[np.isfinite(panel.values[rows, c])][-1]
                margin = BAND_SIGMAS * family.sigma[c] * family.scale[rows[-1], c]
                inside.append(abs(panel.values[read, c] - family.expected[rows[-1], c]) <= margin)
                quiet = np.flatnonzero(~family.alarm[rows, c])
                ages.append(day[rows[-1]] - day[rows[quiet[-1] + 1 if len(quiet) else 0]])
    if inside:
        low, high = share_interval(sum(inside), len(inside))
        yield Line(measure="open alarms: value inside band", of=of, n=len(inside), value=sum(inside) / len(inside),
                   low=low, high=high)  # fmt: skip
        middle, low, high = median_interval(np.array(ages))
        yield Line(measure="open alarms: age, days", of=of, n=len(ages), value=middle, low=low, high=high)


def _large(of: str, seen: list[Seen]) -> Iterator[Line]:
    """Vehicles on a date of which a correction is `LARGE` sigmas off: in alarm."""
    for when in ("", " all week"):
        found = every = 0
        for one in seen:
            day = days(one.family.panel)
            rows = (day - day.min() > FROM_DAY) & (np.floor(day / 7) % (DATE_DAYS / 7) == 0)
            size = one.sure if when and one.sure is not None else np.abs(one.deviation)
            rows &= size.max(axis=1) >= LARGE
            every += int(rows.sum())
            found += int(one.family.alarm[rows].any(axis=1).sum())
        if every:
            low, high = share_interval(found, every)
            yield Line(measure=f"off by {LARGE:g} sigmas{when}, in alarm", of=of, n=every, value=found / every, low=low,
                       high=high, at_least=0.99)  # fmt: skip


def _delays(one: Seen) -> np.ndarray:
    """Weeks from when a defect can be told to the alarm; inf: none while it lasted."""
    family, panel, day = one.family, one.family.panel, days(one.family.panel)
    out = []
    for v in np.flatnonzero(~_healthy(one)):
        rows = np.arange(panel.row_start[v], panel.row_start[v + 1])
        d = one.deviation[rows] / np.where(one.scatter is None, 1.0, 1.0 if one.scatter is None else one.scatter[v])
        gap = np.diff(day[rows], prepend=day[rows[0]] - 7)[:, None]
        rho = np.exp(-gap / family.memory_days)
        shown = (d - rho * np.vstack([np.zeros_like(d[:1]), d[:-1]])) ** 2 / (1 - rho**2)
        ill = np.abs(d).max(axis=1) >= NULL
        begins = np.flatnonzero(ill & ~np.append(False, ill[:-1]))
        for begin in begins[:1]:
            until = begin + int(np.argmin(np.append(ill[begin:], False)))
            told = np.flatnonzero(np.sqrt(np.cumsum(shown[begin:until], axis=0)).max(axis=1) >= TOLD)
            if not len(told):
                continue
            raised = np.flatnonzero(family.alarm[rows[begin:until]].any(axis=1))
            late = day[rows[begin + raised[0]]] - day[rows[begin + told[0]]] if len(raised) else np.inf
            out.append(late / 7)
    return np.array(out)


def _watched(drift: Drift, truths: dict[str, Truth], name: str) -> Watched:
    """With each row's vehicle in a column of its own."""
    with_names = {}
    for family in drift.families:
        truth = truths[family.panel.family]
        vehicle = np.array([f"{name} {v}" for v in family.panel.vehicles], dtype=object)[vehicle_of_row(family.panel)]
        with_names[family.panel.family] = Truth(
            deviation=truth.deviation, benign=truth.benign, marks={**truth.marks, "vehicle": vehicle.tolist()}
        )
    return Watched.of(drift, with_names, name=name)


def light(of: str, fleets: list[Fleet]) -> Iterator[Line]:
    """The lines of light fleets."""
    seen, watched = [], []
    for number, fleet in enumerate(fleets):
        drift, truths = drift_of(fleet, PROMISE), truths_of(fleet)
        watched.append(_watched(drift, truths, str(number)))
        for family in drift.families:
            own = np.array([fleet.scatter[int(name[-5:])] for name in family.panel.vehicles]) / np.median(fleet.scatter)
            high = family.panel.depot == family.panel.depots.index(f"depot-{WORLD.depots - 1}")
            seen.append(Seen(family=family, deviation=truths[family.panel.family].deviation, high=high, scatter=own))
    yield from table(of, seen, Watched.together(watched))


def moor(cache: Path, *, seed: int, defects: bool, dirt: bool, vehicles: int) -> Simulated:
    """A simulated fleet with a depot at altitude; made if the cache does not have it."""
    name = f"moor-{'ill' if defects else 'healthy'}-{'dirty' if dirt else 'clean'}-{vehicles}-{seed}"
    folder = cache / name
    if not (folder / "made").exists():
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        clean = {} if dirt else {"dirt": {"enabled": False}}
        changes = {**MOOR, **(healthy_changes() if not defects else {}), **clean}
        scenario = read_scenario(changes=changes)
        simulate(scenario, vehicles=vehicles, weeks=WORLD.weeks, seed=seed, out=folder / "drops")
        (folder / "drops" / "truth").rename(folder / "truth")
        load(Store(folder / "store"), sorted((folder / "drops").iterdir()))
        shutil.rmtree(folder / "drops")
        (folder / "made").touch()
    return Simulated(folder=folder, name=name)


def simulated(of: str, fleets: list[Simulated]) -> Iterator[Line]:
    """The lines of the simulator's fleets."""
    seen, watched = [], []
    for fleet in fleets:
        drift, truths = fleet.drift(PROMISE), simulated_truths(fleet)
        watched.append(_watched(drift, truths, fleet.name))
        for family in drift.families:
            high = family.panel.depot == family.panel.depots.index("High Moor")
            truth = truths[family.panel.family]
            seen.append(Seen(family=family, deviation=truth.deviation, high=high, scatter=None, sure=truth.sure))
    yield from table(of, seen, Watched.together(watched))


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--light", type=int, default=2, help="light fleets of each kind")
    parser.add_argument("--vehicles", type=int, default=WORLD.vehicles)
    parser.add_argument("--simulated", type=int, default=0, help="simulated fleets of each kind")
    parser.add_argument("--seed", type=int, default=9001, help="the first")
    parser.add_argument("--cache", type=Path, default=Path("fleets"), help="folder that keeps the simulated ones")
    asked = parser.parse_args()
    print(HEADER)
    for of, drifting in (("light, healthy", 0.0), ("light, with defects", 0.35)):
        worlds = [World(**{**vars(WORLD), "vehicles": asked.vehicles, "drifting": drifting, "seed": asked.seed + k})
                  for k in range(asked.light)]  # fmt: skip
        for line in light(of, [light_fleet(world) for world in worlds]) if worlds else ():
            line.show()
    seeds = range(asked.seed, asked.seed + asked.simulated)
    for defects, dirt in ((False, False), (True, False), (True, True)) if asked.simulated else ():
        fleets = [moor(asked.cache, seed=seed, defects=defects, dirt=dirt, vehicles=asked.vehicles) for seed in seeds]
        words = f"simulated, {'with defects' if defects else 'healthy'}, {'dirty' if dirt else 'clean'}"
        for line in simulated(words, fleets):
            line.show()


if __name__ == "__main__":
    main()
