"""What a whole analysis costs as a fleet grows, in this process and on several: seconds, memory, the engine's share.

    python tests/benchmarks/any_size.py DROP... --vehicles 10000 --workers 0 1 2 [--kills 5] [--keep STORE] [--tables]

Vehicles of the drops (as `leeway simulate` makes them) are repeated under other numbers, every value with fresh noise
of 0.7 of its correction's usual scatter in whole steps, until there are enough; 0 workers: in this process. With
`--kills` a worker is killed at a random moment of so many more runs on two workers, and the tables are held against
those of the first run. With `--tables` the store is made partitioned tables; with `--keep` and no `--workers` it is
made, and nothing is run.
"""

import argparse
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.store.connection import frame_of, quoted
from pipelines.store.conversion import convert
from pipelines.store.folder import Store
from pipelines.store.published import read_published

LEEWAY = [sys.executable, "-c", "from dashboard.command import main; main()"]
OF_VEHICLES = {"vehicles": ("vehicle_id", "vin"), "snapshots": ("vehicle_id", "module"), "faults": ("vehicle_id",),
               "work": ("vehicle_id",)}  # fmt: skip
FRESH = 0.7  # of a correction's usual scatter, that a repeated vehicle's values get as noise of their own: judgement
TABLES = ("correction_state", "vehicle_state", "cause_ranking", "fault_forecast", "outlier_reason", "repair_outcome",
          "recurring_issue", "next_check")  # fmt: skip


def usual_steps(store: Store, codes: list[str]) -> dict[str, tuple[float, float]]:
    """Of corrections: step of the values, and their usual scatter, from the changes between readings."""
    steps = dict(built_in_corrections().select("code", pl.col("resolution").fill_null(0.0)).iter_rows())
    found = {}
    with store.reading() as connection:
        for code in codes:
            change = frame_of(
                connection,
                f"SELECT median(abs(d)) FROM (SELECT {quoted(code)} - lag({quoted(code)}) OVER "
                "(PARTITION BY vehicle_id ORDER BY read_at) d FROM snapshots) WHERE d IS NOT NULL",
            ).item()
            found[code] = (steps.get(code) or 1e-3, 1.4826 / 2**0.5 * max(change or 0.0, (steps.get(code) or 0.0) / 2))
    return found


def repeated(store: Store, vehicles: int) -> None:
    """Repeat the store's vehicles until there are so many."""
    with store.reading() as connection:
        columns = [row[0] for row in connection.execute("DESCRIBE snapshots").fetchall()]
    known = set(built_in_corrections()["code"])
    steps = usual_steps(store, [name for name in columns if name in known])
    with store.writing("repeat vehicles") as connection:
        have = connection.execute("SELECT count(*) FROM vehicles").fetchone()[0]
        connection.execute(
            "CREATE TEMP TABLE first AS SELECT vehicle_id, row_number() OVER (ORDER BY 1) n FROM vehicles"
        )
        connection.execute("SELECT setseed(0.25)")
        moved = ", ".join(  # three even numbers, less their mean and times two: of sd 1
            f"({quoted(c)} + {step} * round({FRESH * sd / step * 2} * (random() + random() + random() - 1.5)))::FLOAT "
            f"AS {quoted(c)}"
            for c, (step, sd) in steps.items()
        )
        for copy in range(1, -(-vehicles // have)):
            for table, names in OF_VEHICLES.items():
                changed = ", ".join(f"{name} || '-' || $k AS {name}" for name in names)
                changed += f", {moved}" if table == "snapshots" else ""
                some = "SELECT vehicle_id FROM first WHERE n <= $most"
                connection.execute(
                    f"INSERT INTO {table} SELECT * REPLACE ({changed}) FROM {table} WHERE vehicle_id IN ({some})",
                    {"k": copy, "most": vehicles - copy * have},
                )


def run(store: Path, workers: int, *, kill_after: float | None = None) -> dict[str, pl.DataFrame]:
    """Analyse once; prints what it took. With `kill_after` a worker is killed so many seconds after the start."""
    command = [*LEEWAY, "analyse", "--store", str(store), *(["--workers", str(workers)] if workers else [])]
    began, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    killed = kill(child.pid, kill_after) if kill_after is not None else None
    _, told = child.communicate()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    said = ("Took", "Ten times", "leeway:", "Error")
    lines = [line for line in told.splitlines() if line.startswith(said) or " s  " in line]
    ended = f"code {child.returncode}" if killed is None else f"code {child.returncode}, killed {killed}"
    took = f"{time.perf_counter() - began:.1f} s, {spent:.1f} s of processor time"
    print(f"workers {workers}: {took}, {ended}", *lines, sep="\n  ", flush=True)
    if child.returncode:
        sys.exit(told)
    return {name: read_published(Store(store), name) for name in TABLES}


def converted(path: Path) -> Path:
    """The store as partitioned tables, in its place."""
    one = path.with_name(f"{path.name}-one-file")
    path.rename(one)
    convert(Store(one), Store(path))
    shutil.rmtree(one)
    return path


def kill(parent: int, after: float) -> int | None:
    """Kill one worker of an analysis; its number, None: there was none any more."""
    time.sleep(after)
    asked = subprocess.run(["ps", "-eo", "pid,ppid,args"], capture_output=True, text=True, check=True).stdout
    rows = [line.split(None, 2) for line in asked.splitlines()[1:]]
    ours = {parent}
    for _ in range(4):
        ours |= {int(pid) for pid, ppid, _ in rows if int(ppid) in ours}
    workers = [int(pid) for pid, ppid, words in rows if int(ppid) in ours and "spawn_main" in words]
    if not workers:
        return None
    os.kill(workers[-1], signal.SIGKILL)
    return workers[-1]


def main() -> None:
    """Make the store, analyse it each way, and hold the tables against each other."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("drops", type=Path, nargs="+")
    parser.add_argument("--vehicles", type=int, default=2_000)
    parser.add_argument("--workers", type=int, nargs="*", default=[0, 1, 2])
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=60.0, help="A kill comes within so many seconds.")
    parser.add_argument("--keep", type=Path, help="Where the store is made, and found the next time.")
    parser.add_argument("--tables", action="store_true", help="A store of partitioned tables.")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        path = arguments.keep or Path(scratch) / "store"
        if not path.exists():
            drops = [str(drop) for drop in arguments.drops]
            subprocess.run([*LEEWAY, "load", *drops, "--store", str(path)], check=False, capture_output=True)
            repeated(Store(path), arguments.vehicles)
            if arguments.tables:
                path = converted(path)
        tables: dict[str, pl.DataFrame] | None = None
        chance = random.Random(1)  # noqa: S311 - when to kill
        runs = [(workers, None) for workers in arguments.workers]
        runs += [(2, chance.uniform(5.0, arguments.seconds)) for _ in range(arguments.kills)]
        for workers, kill_after in runs:
            found = run(path, workers, kill_after=kill_after)
            tables = tables or found
            for name, frame in found.items():
                assert_frame_equal(frame, tables[name], rel_tol=1e-9, abs_tol=1e-9)
        print("all tables equal, order included")


if __name__ == "__main__":
    main()
