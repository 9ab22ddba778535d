"""Prints how long a plan of many jobs takes at two loads, how many do not fit, and how many others a new job moves.

Run: python tests/benchmarks/plan_speed.py [jobs]
"""

import importlib.util
import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from time import process_time

import numpy as np
import polars as pl

from pipelines.settings import Settings
from pipelines.workplan.plan import plan_work

CONFTEST = Path(__file__).parents[1] / "pipelines/workplan/conftest.py"
AS_OF = datetime(2031, 6, 1, 12, tzinfo=UTC)
DEPOTS, BAYS, OPEN_DAYS, HOURS = ("a", "b", "c"), 4, 20, 8.0


def fleet(jobs: int, load: float, seed: int = 5):
    """Vehicles of three depots whose work fills so much of the hours, each with its own labour and chances."""
    spec = importlib.util.spec_from_file_location("workplan_conftest", CONFTEST)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    rng = np.random.default_rng(seed)
    names = [f"v{n:03d}" for n in range(jobs)]
    p7 = rng.uniform(0.0, 0.1, jobs)
    chances = {name: (p, 1 - (1 - p) ** 4, 1 - (1 - p) ** 10) for name, p in zip(names, p7, strict=True)}
    vehicles = [
        {"vehicle_id": name, "engine_family": "rowan", "depot": DEPOTS[n % 3], "downtime_cost_per_day": float(d)}
        for n, (name, d) in enumerate(zip(names, rng.uniform(50, 300, jobs), strict=True))
    ]
    labour = len(DEPOTS) * BAYS * OPEN_DAYS * HOURS * load / jobs
    bays = [{"depot": depot, "bays": BAYS, "hours_per_day": HOURS, "days": "Mon-Fri"} for depot in DEPOTS]
    published, evidence = module.fleet(chances, vehicles=vehicles, bays=bays)
    # Labour differs by vehicle through routine work of its own, due at the end of the plan.
    extra = rng.uniform(0.0, 2 * max(labour - 2.0, 0.1), jobs)
    due = pl.DataFrame({"vehicle_id": names, "labour_hours": extra}).with_columns(
        service=pl.lit("oil"), due_on=pl.lit(date(2031, 6, 25))
    )
    return published, replace(evidence, as_of=AS_OF, due=due)


def main() -> None:
    jobs = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    for load in (0.63, 0.86):
        published, evidence = fleet(jobs, load)
        begin = process_time()
        first = plan_work(published, evidence=evidence, days=28, settings=Settings())
        took = process_time() - begin
        fewer = {name: frame.filter(pl.col("vehicle_id") != "v000") for name, frame in published.items()}
        before = plan_work(fewer, evidence=evidence, days=28, settings=Settings()).work_plan
        again = plan_work({**published, "work_plan": before}, evidence=evidence, days=28, settings=Settings()).work_plan
        both = before.join(again, on="vehicle_id", suffix="_now")
        moved = both.filter(pl.col("day") != pl.col("day_now")).height + before.height - both.height
        unproven = f"{first.unproven:.2%} of the saving unproven"
        left = f"{first.left_out.height} left out"
        print(f"{jobs} jobs at {load:.0%}: {took:.1f} s, {left}, {unproven}; a new job moves {moved}")


if __name__ == "__main__":
    main()
