"""How well causes are named: `python tests/benchmarks/causes_study.py [--light 3000] [--vehicles 300] [--seeds 1 2 3]`.

Over single clear defects: named first, among the first three (causes alone, their places together), what is said of the
first, calibration error (ten bins), none of these first, and the pairs taken for each other. Intervals: 90 %, over
resampled cases. Light fleets perturb the knowledge at random (`causes_light`); of simulated ones each defect is asked
once, at a date drawn from those on which it is clear: alone on its vehicle, an alarm stands on a correction that it
truly moves by four sigmas, read within the week, and not worked on since.
"""

import argparse
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from causes_dates import at_date
from causes_light import light_fleet
from drift_simulated import simulated

from pipelines.causes.ranking import NONE, learn_causes, rank_causes

CLEAR_SIGMAS, DATES, RESAMPLES = 4.0, 10, 200


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--light", type=int, default=3000, help="cases of each light fleet")
    parser.add_argument("--perturbed", type=float, default=0.3)
    parser.add_argument("--vehicles", type=int, default=300)
    parser.add_argument("--weeks", type=int, default=60)
    parser.add_argument("--seeds", type=int, nargs="+", default=[9301, 9302, 9303])
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "causes_study")
    arguments = parser.parse_args()
    light = pl.concat([of_light(arguments.light, arguments.perturbed, seed) for seed in arguments.seeds])
    show(f"light fleets, knowledge perturbed by {arguments.perturbed:.0%}", light)
    if arguments.vehicles:
        fleets = [of_simulated(arguments, seed) for seed in arguments.seeds]
        show(f"simulated fleets of {arguments.vehicles} x {arguments.weeks}", pl.concat(fleets))


def of_light(cases, perturbed, seed):
    """The clear cases of one light fleet with what was said of each."""
    drift, evidence, history, truth = light_fleet(cases=cases, perturbed=perturbed, seed=seed)
    begun = time.process_time()
    ranking = rank_causes(drift, evidence=evidence, history=history)
    vehicles = sum(len(family.panel.vehicles) for family in drift.families)
    print(f"light, seed {seed}: {vehicles} vehicles, {time.process_time() - begun:.1f} s of processor time")
    return said_of(ranking, truth.filter("clear").select("vehicle_id", truth="cause"))


def of_simulated(arguments, seed):
    """The clear defects of one simulated fleet with what was said of each at one date."""
    fleet = simulated(arguments.cache, vehicles=arguments.vehicles, weeks=arguments.weeks, seed=seed, defects=True)
    drift, end = fleet.drift(0.1), fleet.evidence.as_of
    first = min(family.panel.read_at.min() for family in drift.families).astype("datetime64[s]").astype(datetime)
    start = first.replace(tzinfo=UTC) + timedelta(days=180)
    dates = [start + (end - start) * k / (DATES - 1) for k in range(DATES)]
    asked = []
    for at in dates:
        now, evidence, history, calm = at_date(drift, fleet.evidence, fleet.history, at)
        clear = clear_defects(fleet, now, at, calm)
        taught = learn_causes(now, evidence)
        ranking = rank_causes(now, evidence=evidence, history=history, taught=taught)
        asked.append(said_of(ranking, clear.select("vehicle_id", "defect", truth="cause")))
    together = pl.concat(asked).sample(fraction=1.0, shuffle=True, seed=seed)
    return together.unique("defect", keep="first", maintain_order=True).drop("defect")


def clear_defects(fleet, drift, at, calm):
    """vehicle_id, defect, cause of defects that are clear at a date; `calm`: vehicles not worked on since a reading."""
    week = (pl.col("week_end") <= at) & (pl.col("week_end") > at - timedelta(days=7))
    moved = fleet.truth("deviation").filter(week, pl.col("in_sigma").abs() >= CLEAR_SIGMAS)
    truly = set(moved.select("vehicle_id", "correction").iter_rows())
    seen = [
        vehicle
        for family in drift.families
        for vehicle, row in zip(family.panel.vehicles, family.panel.row_start[1:] - 1, strict=True)
        if any((vehicle, family.panel.codes[c]) in truly for c in np.flatnonzero(family.alarm[row]))
    ]
    acting = fleet.truth("severity").filter(week, pl.col("severity") > 0.02)
    alone = acting.filter(pl.len().over("vehicle_id") == 1)
    known = fleet.truth("defects").filter(pl.col("cause") != "sudden").select("defect", "cause")
    return alone.join(known, on="defect").filter(pl.col("vehicle_id").is_in(seen), pl.col("vehicle_id").is_in(calm))


def said_of(ranking, truth):
    """Of each case: truth, first, said (of the first), among (the first three causes), given (to the truth)."""
    by_cause = (
        ranking.group_by("vehicle_id", "cause")
        .agg(pl.col("probability").sum())
        .sort("vehicle_id", "probability", "cause", descending=[False, True, False])
    )
    named = by_cause.filter(pl.col("cause") != NONE).group_by("vehicle_id").agg(three=pl.col("cause").head(3))
    first = by_cause.group_by("vehicle_id", maintain_order=True).agg(
        first=pl.col("cause").first(), said=pl.col("probability").first()
    )
    given = by_cause.rename({"cause": "truth", "probability": "given"})
    return (
        truth.join(first, on="vehicle_id")
        .join(named, on="vehicle_id", how="left")
        .join(given, on=["vehicle_id", "truth"], how="left")
        .with_columns(
            among=pl.col("truth").is_in(pl.col("three")).fill_null(value=False), given=pl.col("given").fill_null(0.0)
        )
        .drop("three")
    )


def calibration_error(said, right):
    """Mean distance of what is said of the first from how often it is right, over ten bins."""
    bins = np.minimum((said * 10).astype(int), 9)
    return sum(np.mean(bins == b) * abs(said[bins == b].mean() - right[bins == b].mean()) for b in np.unique(bins))


def figures(cases):
    """The table's measures of some cases."""
    right, said = (cases["first"] == cases["truth"]).to_numpy(), cases["said"].to_numpy()
    return {
        "named first right": right.mean(),
        "among the first three": cases["among"].mean(),
        "said of the first": said.mean(),
        "calibration error": calibration_error(said, right),
        "none of these though clear": (cases["first"] == NONE).mean(),
        "log score": np.log(np.maximum(cases["given"].to_numpy(), 1e-4)).mean(),
    }


def show(title, cases):
    drawn = [figures(cases.sample(fraction=1.0, with_replacement=True, seed=n)) for n in range(RESAMPLES)]
    print(f"\n{title}: {cases.height} clear single defects")
    for name, value in figures(cases).items():
        low, high = np.quantile([each[name] for each in drawn], [0.05, 0.95])
        print(f"  {name:28} {value:7.3f}  ({low:.3f} to {high:.3f})")
    rng, said = np.random.default_rng(1), cases["said"].to_numpy()
    floor = [calibration_error(said, rng.random(len(said)) < said) for _ in range(RESAMPLES)]
    print(f"  calibration error, were all as said {np.mean(floor):7.3f}  (up to {np.quantile(floor, 0.95):.3f})")
    wrong = cases.filter(pl.col("first") != pl.col("truth"))
    pairs = wrong.group_by("truth", "first").agg(cases=pl.len(), said=pl.col("said").mean())
    for row in pairs.sort("cases", "truth", descending=[True, False]).head(8).iter_rows(named=True):
        print(f"    {row['truth']} taken for {row['first']}: {row['cases']}, said {row['said']:.2f}")


if __name__ == "__main__":
    main()
