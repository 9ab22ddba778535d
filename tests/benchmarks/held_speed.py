"""What holding costs: processor time and memory of reading evidence with the stage and without it, and of a week's run.

Run: python tests/benchmarks/held_speed.py [--vehicles 10000] [--weeks 104] [--store FOLDER]

A fifth of the fleet is simulated with all its dirt and taken five times under other names, in monthly files. Each step
is a process of its own; the last week is loaded after the first `analyse --states`, so that the second goes on from the
checkpoint. `--store` keeps the folder for another run.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import polars as pl
from held_equality import LEEWAY, NEVER_HELD

TIMES = 5
READ = """
import sys
from pathlib import Path
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
read_evidence(Store(Path(sys.argv[1])))
"""


def step(what: str, code: str, *words: object) -> None:
    """Run a process and say what it took: wall and processor seconds, and its peak of memory."""
    begun = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-c", code, *map(str, words)], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status) not in {0, 3}:
        sys.exit(f"{what}: failed")
    took = f"{time.perf_counter() - begun:.1f} s, processor {used.ru_utime + used.ru_stime:.1f} s"
    print(f"{what}: {took}, {used.ru_maxrss / 2**20:.2f} GiB", flush=True)


def made(folder: Path, vehicles: int, weeks: int) -> None:
    """Drops of the fleet in `folder`/drops, and those of its last week in `folder`/week."""
    once = folder / "once"
    size = ("--vehicles", vehicles // TIMES, "--weeks", weeks, "--seed", 7, "--out", once)
    step("simulate", LEEWAY, "simulate", *size)
    files = [file for file in sorted(once.rglob("*")) if file.is_file() and "truth" not in file.parts]
    last = max(pl.read_parquet(file)["read_at"].max() for file in files if file.name.startswith("snapshots"))
    for file in files:
        target = folder / "drops" / file.parent.name
        target.mkdir(parents=True, exist_ok=True)
        if file.suffix != ".parquet" and not file.name.startswith(("vehicles", "work")):
            file.rename(target / file.name)
            continue
        table = pl.read_parquet(file) if file.suffix == ".parquet" else pl.read_csv(file, infer_schema=False)
        for nth in range(TIMES):
            copy = table.with_columns(vehicle_id=pl.concat_str("vehicle_id", pl.lit(f"-{nth}")))
            if "read_at" not in copy.columns:
                copy.write_csv(target / f"{file.stem}-{nth}.csv")
                continue
            late = pl.col("read_at") > last - pl.duration(days=7)
            copy.filter(~late).write_parquet(target / f"{file.stem}-{nth}.parquet")
            if copy.filter(late).height:
                (folder / "week").mkdir(exist_ok=True)
                copy.filter(late).write_parquet(folder / "week" / f"{file.stem}-{nth}.parquet")


def main() -> None:
    """Print what each step took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=10_000)
    parser.add_argument("--weeks", type=int, default=104)
    parser.add_argument("--store", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="leeway-") as place:
        folder = asked.store or Path(place)
        store = folder / "fleet.store"
        if not store.exists():
            made(folder, asked.vehicles, asked.weeks)
            step(
                "load of all but the last week", LEEWAY, "load", *sorted((folder / "drops").iterdir()), "--store", store
            )
        print(f"{asked.vehicles} vehicles x {asked.weeks} weeks; load of the machine {os.getloadavg()[0]:.1f}")
        for nth in ("first", "second"):
            step(f"evidence, {nth} time, with what is held", READ, store)
            step(f"evidence, {nth} time, without the stage", NEVER_HELD + READ, store)
        step("analyse --states, first", LEEWAY, "analyse", "--states", "--store", store)
        step("load of the last week", LEEWAY, "load", folder / "week", "--store", store)
        step("analyse --states of the new week", LEEWAY, "analyse", "--states", "--store", store)


if __name__ == "__main__":
    main()
