"""How long an entry takes, from the call until it is on disk: alone, and while the same store is loaded and analysed.

Run: python tests/benchmarks/entries_speed.py [--vehicles 2000] [--entries 1000] [--store FOLDER]

The fleet is read for 104 weeks with 70 corrections. Beside the entries two other processes go round: one loads a new
week at a time, one analyses and publishes. An entry is made through the same function as on a page, every 50 ms, until
an analysis has ended beside them, too; then by eight threads of it at once. `--store` keeps the store for another run.
The whole measurement at full size, on an otherwise idle machine:

    python tests/benchmarks/entries_speed.py --vehicles 10000 --entries 1000
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from intake_speed import WEEKS, fleet

from pipelines.entries.entry import Entry
from pipelines.intake.load import load
from pipelines.store.entering import enter
from pipelines.store.entries import last_entry, read_entries
from pipelines.store.folder import Store

PAUSE_S = 0.05  # between entries of one person
LONGEST_S = 1800.0  # that an analysis is waited for
LOADS = """
import sys, time
from pathlib import Path
from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store.folder import Store
while True:
    for drop in sorted(Path(sys.argv[2]).iterdir()):
        try:
            load(Store(sys.argv[1]), [drop])
        except StoreError:  # the other one publishes
            time.sleep(0.1)
        print("load", flush=True)
"""
ANALYSES = """
import sys
from dashboard.command import leeway
while True:
    leeway.main(["analyse", "--store", sys.argv[1]], standalone_mode=False)
    print("analyse", flush=True)
"""


def made(store: Store, folder: Path, vehicles: int) -> None:
    """A store of the fleet, and drops of weeks to come."""
    first = folder / "first"
    first.mkdir(parents=True)
    ids = fleet(vehicles, 1).select("vehicle_id")
    ids.with_columns(engine_family=np.where(np.arange(vehicles) % 2, "alder", "rowan")).write_csv(
        first / "vehicles.csv"
    )
    fleet(vehicles).write_parquet(first / "snapshots.parquet")
    load(store, [first])
    for week in range(20):
        (folder / "weeks" / f"{week:02d}").mkdir(parents=True)
        fleet(vehicles, 1, WEEKS + week).write_parquet(folder / "weeks" / f"{week:02d}" / "snapshots.parquet")


def seconds(act: Callable[[], object]) -> float:
    """How long it took."""
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def say(what: str, times: list[float]) -> None:
    """Percentiles of the times, in milliseconds."""
    p50, p95, p99 = np.percentile(times, [50, 95, 99]) * 1e3
    figures = f"median {p50:.1f} ms, 95 % {p95:.1f}, 99 % {p99:.1f}, longest {max(times) * 1e3:.0f}"
    print(f"{what}: n {len(times)}, {figures}; load of the machine {os.getloadavg()[0]:.1f}", flush=True)


def one(store: Store, number: int) -> float:
    """Seconds of one entry."""
    note = Entry(
        who="bench", kind="note", vehicle_id=f"{number % 100:06d}", value="x" * 200, client_key=f"{time.time_ns()}"
    )
    return seconds(lambda: enter(store, [note]))


def entries_of_one(store: Store, many: int, enough: Callable[[], bool] = lambda: True) -> list[float]:
    """Seconds of each entry of one person: so many, and on until it is enough."""
    times, begun = list[float](), time.monotonic()
    while len(times) < many or (not enough() and time.monotonic() - begun < LONGEST_S):
        times.append(one(store, len(times)))
        time.sleep(PAUSE_S)
    return times


@contextmanager
def loaded_and_analysed(store: Store, weeks: Path, told: Path, nice: int) -> Iterator[None]:
    """Two other processes load and analyse as long as the block lasts."""
    with told.open("w") as out:
        others = [
            subprocess.Popen(
                ["nice", "-n", str(nice), sys.executable, "-c", program, store.path, weeks],
                stdout=out,
                stderr=subprocess.DEVNULL,
            )
            for program in (LOADS, ANALYSES)
        ]
        try:
            yield
            if any(other.poll() is not None for other in others):
                sys.exit("a load or an analysis stopped by itself: run them alone and see why")
        finally:
            for other in others:
                other.kill()
                other.wait()


def main() -> None:
    """Print the percentiles."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=2000)
    parser.add_argument("--entries", type=int, default=1000)
    parser.add_argument("--nice", type=int, default=0, help="priority of the other two, as of nice")
    parser.add_argument("--store", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="leeway-") as place:
        folder = asked.store or Path(place)
        store, told = Store(folder / "fleet.store"), folder / "told"
        if not store.exists():
            made(store, folder / "drops", asked.vehicles)
        megabytes = store.state_file(store.version()).stat().st_size / 1e6
        print(f"{asked.vehicles} vehicles x {WEEKS} weeks, {megabytes:.0f} MB, {datetime.now(UTC):%H:%M} UTC")
        one(store, 0)  # the first one reads the fleet
        say("alone", entries_of_one(store, asked.entries // 4))
        with loaded_and_analysed(store, folder / "drops" / "weeks", told, asked.nice):
            time.sleep(5)
            beside = entries_of_one(store, asked.entries, lambda: "analyse" in told.read_text())
            say("beside a load and an analysis", beside)
            with ThreadPoolExecutor(8) as people:
                eight = people.map(lambda _: entries_of_one(store, asked.entries // 8), range(8))
                say("eight at once, beside these", [each for times in eight for each in times])
        done = told.read_text().split()
        print(f"beside: {done.count('load')} loads, {done.count('analyse')} analyses done meanwhile")
        held = read_entries(store).height
        read = [seconds(lambda: read_entries(store)) for _ in range(20)]
        say(f"read of all {held} entries", read)
        say("asking for the newest", [seconds(lambda: last_entry(store)) for _ in range(200)])


if __name__ == "__main__":
    main()
