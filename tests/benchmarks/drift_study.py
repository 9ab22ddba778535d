"""How well the drift stage keeps its word, as one table: `python tests/benchmarks/drift_study.py [--quick]`.

Light fleets of `drift_fleets` (and the turbofan store that LEEWAY_TURBOFAN_STORE names, if it does). Intervals: 95 %,
for false alarms by clusters of family and quarter, else normal or Wilson.
"""

import argparse
import os
import time
from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
from drift_fleets import START, World, light_fleet

from pipelines.bands.panel import panels
from pipelines.drift.straying import straying
from pipelines.history.reconstruct import reconstruct
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store

SETTLED = 26  # readings of a vehicle before its alarms count
STRATA = {
    "as assumed": {},
    "memory 0.2 a week": {"memory": 0.2},
    "memory 0.8 a week": {"memory": 0.8},
    "tails of t with 5": {"tails": 5.0},
    "tails of t with 3.5": {"tails": 3.5},
    "rounded to a sigma": {"step": 1.0},
    "rounded, memory 0.8": {"step": 1.0, "memory": 0.8},
    "fuel switched by 3 sigma": {"switch": 3.0},
    "wander of 0.3 sigma": {"wander": 0.3},
    "wander of 0.6 sigma": {"wander": 0.6},
    "irregular readers": {"irregular": True},
    "30 % of readings missed": {"missed": 0.3},
    "defects in 35 %": {"drifting": 0.35},
    "families of 3": {"families": 60},
    "families of 8": {"families": 22},
    "5 corrections": {"corrections": 5},
    "70 corrections": {"corrections": 70, "vehicles": 90},
}
SLOPES, STEPS = (0.5, 1.0, 2.0), (1.0, 2.0, 3.0)  # sigmas per 30 days, sigmas
BEST = {
    ("ramp", 0.5): 21,
    ("ramp", 1.0): 13,
    ("ramp", 2.0): 8,
    ("step", 1.0): 73,
    ("step", 2.0): 14,
    ("step", 3.0): 4.5,
}
CAP = 52  # readings


def drift_of(fleet, promise):
    settings = Settings(false_alarms_per_vehicle_year=promise)
    return straying(
        panels(fleet.evidence, fleet.history), evidence=fleet.evidence, history=fleet.history, settings=settings
    )


def false_alarms(fleet, drift):
    """Of vehicles without a defect: family and quarter of alarms, early ones, years, early years, standing."""
    ids = {name: i for i, name in enumerate(fleet.evidence.vehicles["vehicle_id"])}
    row_vehicle = fleet.evidence.snapshots["vehicle_id"].replace_strict(ids).to_numpy()
    sick = set(row_vehicle[(fleet.planted != 0).any(axis=1)])
    late, early, years, early_years, standing, rows = [], 0, 0.0, 0.0, 0, 0
    for family in drift.families:
        panel = family.panel
        day = panel.read_at.astype("datetime64[us]").astype(np.int64) / 86_400e6
        for v, name in enumerate(panel.vehicles):
            start, end = panel.row_start[v : v + 2]
            if ids[name] in sick or end - start <= SETTLED:
                continue
            on = family.alarm[start:end]
            raised = day[start + 1 : end][(on[1:] & ~on[:-1]).any(axis=1)]
            first = day[start + SETTLED]
            last = -np.inf
            for at in raised:
                if at - last > 28:
                    last = at
                    if at >= first:
                        late.append((panel.family, int(at // 91)))
                    else:
                        early += 1
            years += (day[end - 1] - first) / 365.25
            early_years += (first - day[start]) / 365.25
            standing += on[SETTLED:].any(axis=1).sum()
            rows += end - start - SETTLED
    return late, early, years, early_years, standing / max(rows, 1)


def study_promise(vehicles, promises, strata):
    print("\nFALSE ALARMS of healthy vehicles a vehicle-year, against the promise (after 26 readings)")
    print("stratum                    promise  alarms   years  ratio   95 % interval first 26 standing")
    pooled = {promise: [0, 0.0, []] for promise in promises}
    for name in strata:
        world = World(**{"vehicles": vehicles, "seed": 11, **STRATA[name]})
        fleet = light_fleet(world)
        for promise in promises:
            late, early, years, early_years, standing = false_alarms(fleet, drift_of(fleet, promise))
            clusters = list(np.unique(np.array([f"{f}{q}" for f, q in late]), return_counts=True)[1]) if late else []
            pooled[promise][0] += len(late)
            pooled[promise][1] += years
            pooled[promise][2] += clusters
            print_rate(
                name, promise, len(late), years, clusters, f"{early / early_years / promise:9.2f}{standing:9.3f}"
            )
    for promise, (count, years, clusters) in pooled.items():
        print_rate("pooled", promise, count, years, clusters, "")


def print_rate(name, promise, count, years, clusters, rest):  # noqa: PLR0917
    ratio = count / years / promise
    half = 1.96 * np.sqrt(np.sum(np.square(clusters))) / years / promise if clusters else 3 / years / promise
    interval = f"{max(ratio - half, 0):.2f} to {ratio + half:.2f}"
    print(f"{name:26s}{promise:8.2f}{count:8d}{years:8.0f}{ratio:7.2f}{interval:>16s}{rest}", flush=True)


def planter(kind, size, per_vehicle):
    """A change in some corrections of every vehicle, its onset uniform in readings 40 to 52 (weekly)."""

    def plant(day, vehicle, rng):
        count = int(vehicle.max()) + 1
        change = np.zeros((len(day), 20))
        for v in range(count):
            mine = vehicle == v
            for c in rng.choice(20, per_vehicle, replace=False):
                since = day[mine] - rng.uniform(280, 364)
                sign = rng.choice([-1, 1])
                change[mine, c] = sign * grown(kind, size, since)
        return change

    return plant


def grown(kind, size, since):
    after = np.maximum(since, 0)
    if kind == "step":
        return size * (since > 0)
    if kind == "accelerating":
        return size * (after / 30) ** 2 / 4
    if kind == "levelling":
        return size * 3 * (1 - np.exp(-after / 60))
    return size * after / 30


def study_delay(vehicles, promise=0.2):
    print(f"\nDELAY in readings (restricted mean, cap {CAP}), memory 0.5, at {promise:g} a year over 70 corrections")
    print(f"{'change':24s}{'plants':>8s}{'delay':>8s}{'+-':>6s}{'best':>7s}{'ratio':>7s}{'found':>7s}")
    for kind, size in [("ramp", s) for s in SLOPES] + [("step", s) for s in STEPS]:
        fleet = light_fleet(World(vehicles=vehicles, weeks=110, depot_season=0.0, seed=21), planter(kind, size, 1))
        family = drift_of(fleet, promise * 20 / 70).families[0]
        delays = []
        for v in range(vehicles):
            rows = slice(*family.panel.row_start[v : v + 2])
            changed = fleet.planted[rows] != 0
            for c in np.flatnonzero(changed.any(axis=0)):
                onset = int(np.argmax(changed[:, c]))
                on = family.alarm[rows][:, c]
                if on[onset - 1]:
                    continue
                found = np.flatnonzero(on[onset : onset + CAP])
                delays.append(found[0] + 1 if len(found) else CAP)
        delays = np.array(delays)
        mean, half = delays.mean(), 1.96 * delays.std() / np.sqrt(len(delays))
        best = BEST[kind, size]
        print(
            f"{kind + f' of {size:g} sigma':24s}{len(delays):8d}{mean:8.1f}{half:6.1f}{best:7.1f}{mean / best:7.2f}"
            f"{(delays < CAP).mean():7.2f}",
            flush=True,
        )


def cut(fleet, day):
    as_of = START + timedelta(days=day)
    evidence, history = fleet.evidence, fleet.history
    return replace(
        fleet,
        evidence=replace(evidence, as_of=as_of, snapshots=evidence.snapshots.filter(pl.col("read_at") <= as_of)),
        history=replace(history, readings=history.readings.filter(pl.col("read_at") <= as_of)),
    )


def explained(kind, size, vehicles, promise=0.2):
    """Rows of alarms 5 to 11 weeks old: onset error in readings, covered, width, limit dates against the truth."""
    world = World(vehicles=vehicles, weeks=110, depot_season=0.0, seed=31)
    rng_days = {}

    def plant(day, vehicle, rng):
        change = np.zeros((len(day), 20))
        for v in range(int(vehicle.max()) + 1):
            mine = vehicle == v
            for c in rng.choice(20, 4, replace=False):
                onset, sign = rng.uniform(280, 364), rng.choice([-1, 1])
                rng_days[v, c] = (onset, sign)
                change[mine, c] = sign * grown(kind, size, day[mine] - onset)
        return change

    fleet = light_fleet(world, plant)
    rows = []
    for day in range(343, 770, 28):
        states = drift_of(cut(fleet, day), promise * 20 / 70).correction_state.filter("alarm")
        for row in states.iter_rows(named=True):
            v, c = int(row["vehicle_id"].split("-")[1]), int(row["correction"].split("_")[1]) - 1
            age = day - (row["alarm_at"] - START).total_seconds() / 86_400
            if (v, c) not in rng_days or not 42 <= age < 70:
                continue
            onset, sign = rng_days[v, c]
            at, low, high = (
                (row[name] - START).total_seconds() / 86_400 for name in ("onset_at", "onset_low", "onset_high")
            )
            path = fleet.level[v, c] + sign * grown(kind, size, np.arange(0, 4000.0) - onset)
            over = np.flatnonzero(sign * path >= world.authority)
            truth = over[0] if len(over) else np.inf
            dates = [
                np.inf if row[name] is None else (row[name] - START).total_seconds() / 86_400
                for name in ("limit_at_p10", "limit_at_p50", "limit_at_p90")
            ]
            rows.append((abs(at - onset) / 7, low <= onset <= high, (high - low) / 7, truth, *dates, day))
    return np.array(rows, dtype=float)


def study_onset_and_limit(vehicles):
    print("\nONSET and LIMIT DATES, about eight readings after the alarm")
    print("change                      alarms  error  covered  width  10-90 % below 10 above 90")
    cells = [("ramp", s) for s in SLOPES] + [("step", 2.0), ("step", 3.0), ("accelerating", 1.0), ("levelling", 1.5)]
    every = []
    for kind, size in cells:
        rows = explained(kind, size, vehicles)
        if len(rows) == 0:
            continue
        truth, low, _, high, day = rows[:, 3:8].T
        ahead = truth > day
        every.append(rows[ahead])
        inside = (np.minimum(low, 4000) <= truth + 7) & ((truth <= high) | ~np.isfinite(high))
        early = truth + 7 < np.minimum(low, 4000)
        print(
            f"{kind + f' of {size:g}':26s}{len(rows):8d}{np.median(rows[:, 0]):7.1f}{rows[:, 1].mean():9.2f}"
            f"{np.median(rows[:, 2]):7.1f}{inside[ahead].mean():9.2f}{early[ahead].mean():9.2f}"
            f"{1 - (inside | early)[ahead].mean():9.2f}",
            flush=True,
        )


def study_turbofan():
    place = os.environ.get("LEEWAY_TURBOFAN_STORE")
    if not place:
        print("\nTURBOFAN: LEEWAY_TURBOFAN_STORE names no store; left out")
        return
    evidence = read_evidence(Store(place))
    history = reconstruct(evidence)
    drift = straying(panels(evidence, history), evidence=evidence, history=history, settings=Settings())
    family = drift.families[0]
    start = family.panel.row_start
    left = np.concatenate([np.arange(n)[::-1] for n in np.diff(start)])
    any_on = family.alarm.any(axis=1)
    print("\nTURBOFAN: share of engines in alarm by cycles left (60 engines, none healthy)")
    for low, high in ((0, 10), (10, 20), (20, 30), (30, 50), (50, 75), (75, 100), (100, 125), (125, 150), (150, 400)):
        rows = (left >= low) & (left < high)
        print(f"  {low:3d} to {high - 1:3d} cycles left: {any_on[rows].mean():.2f} of {rows.sum()} readings")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer vehicles and strata")
    quick = parser.parse_args().quick
    began = time.time()
    vehicles = 90 if quick else 240
    strata = list(STRATA)[:: 3 if quick else 1]
    study_promise(vehicles, (0.5,) if quick else (0.1, 0.2, 0.5), strata)
    study_delay(200 if quick else 1000)
    study_onset_and_limit(60 if quick else 200)
    study_turbofan()
    print(f"\n{time.time() - began:.0f} s")


if __name__ == "__main__":
    main()
