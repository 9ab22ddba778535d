"""Speed and memory of history, bands and drift: a full run, and one new week on top of what an earlier run kept.

Run: python tests/benchmarks/drift_speed.py [--vehicles 2000] [--corrections 20] [--full]

`--full` is 10,000 vehicles x 104 weeks x 73 corrections in three families. Each part runs in a process of its own,
which first loads the compiled kernels (compiled once, beforehand). Beside the figures: a bare scan of the same values,
and a loop over a general library of streaming statistics on a sample, scaled to all values.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipelines.bands.panel import panels
from pipelines.catalogue.tables import drop_tables
from pipelines.drift.stage import straying
from pipelines.handover import Evidence
from pipelines.history.reconstruct import reconstruct
from pipelines.resume.correction_states import correction_states_since
from pipelines.settings import Settings
from pipelines.store.drift_checkpoint import NAME, checkpoint_folder
from pipelines.store.folder import Store

START = datetime(2031, 1, 6, tzinfo=UTC)
WEEKS = 104
FULL = (10_000, 73)
FULL_SECONDS, FULL_GIB, INCREMENT_SECONDS = 60.0, 6.0, 10.0
SAMPLE = 40_000  # values that the library is given


def fleet(vehicles: int, corrections: int, weeks: int = WEEKS) -> Evidence:
    """Weekly readings of a fleet in three families: noise with memory, a season, resets, a defect in every fiftieth."""
    rng = np.random.default_rng(1)
    rows = vehicles * weeks
    vehicle, week = np.repeat(np.arange(vehicles), weeks), np.tile(np.arange(weeks), vehicles)
    day = week * 7 + np.repeat(rng.uniform(0.1, 6.9, vehicles), weeks)
    year = np.sin(2 * np.pi * day / 365)
    strays = (vehicle % 50 == 7) & (week > weeks * 3 // 4)
    hours, codes = day * 1.5, [f"channel_{c + 1}" for c in range(corrections)]
    values = {}
    for c, code in enumerate(codes):
        noise = rng.standard_normal((vehicles, weeks), dtype=np.float32)
        for w in range(1, weeks):
            noise[:, w] = 0.5 * noise[:, w - 1] + 0.866 * noise[:, w]
        level = 2 * rng.standard_normal((vehicles, 1), dtype=np.float32)
        x = (noise + level).ravel() + year * rng.normal()
        if c % 8 == 0:
            x = x + strays * (week - weeks * 3 // 4) * 0.4
        values[code] = pl.Series(np.round(x * 8) / 8, dtype=pl.Float32)
    ids = pl.Series([f"vehicle-{v:05d}" for v in range(vehicles)])
    read_at = pl.Series(day * 86_400e6).cast(pl.Int64).cast(pl.Duration("us")) + START
    snapshots = pl.DataFrame(
        {
            "vehicle_id": ids.gather(vehicle),
            "read_at": read_at,
            "ignition_hours": hours,
            "odometer_km": 40_000 + day * 50,
            "calibration": "A",
            "faults_read": True,
            **values,
        }
    )
    serviced = snapshots.filter(pl.Series(rng.random(rows) < 0.003))
    given = {
        "vehicles": pl.DataFrame(
            {
                "vehicle_id": ids,
                "engine_family": [f"family-{v % 3}" for v in range(vehicles)],
                "depot": [f"depot-{v % 7}" for v in range(vehicles)],
            }
        ),
        "snapshots": snapshots,
        "work": serviced.select("vehicle_id", done_at="read_at", kind=pl.lit("reset")),
        "corrections": pl.DataFrame(
            {
                "code": codes, "neutral": 0.0, "low_limit": -25.0, "high_limit": 25.0, "resolution": 0.125,
                "fault_low": "P1000", "fault_high": "P1001", "learn_hours": 4.0,
                "group": [f"group-{c // 8}" for c in range(corrections)],
                "bank": pl.Series([1 + c // 4 % 2 for c in range(corrections)], dtype=pl.Int32),
            }
        ),
    }  # fmt: skip
    frames = {
        name: pl.concat([table.empty(), given[name]], how="diagonal_relaxed").sort(table.key) if name in given
        else table.empty()
        for name, table in drop_tables().items()
        if name != "readings"
    }  # fmt: skip
    return Evidence(as_of=START + timedelta(weeks=weeks), **frames)


def until(evidence: Evidence, week: int) -> Evidence:
    """What was known at the end of a week."""
    as_of = START + timedelta(weeks=week)
    return replace(
        evidence,
        as_of=as_of,
        snapshots=evidence.snapshots.filter(pl.col("read_at") <= as_of),
        work=evidence.work.filter(pl.col("done_at") <= as_of),
    )


class Clock:
    """Seconds and seconds of processor of each step, as they pass."""

    def __init__(self) -> None:
        self.steps: dict[str, tuple[float, float]] = {}
        self.running: tuple[str, float, float] | None = None

    def begin(self, step: str) -> None:
        """The step before ends, and this one begins."""
        self.end()
        self.running = step, time.perf_counter(), time.process_time()

    def end(self) -> None:
        """The step before ends."""
        if self.running:
            step, began, busy = self.running
            self.steps[step] = (time.perf_counter() - began, time.process_time() - busy)
        self.running = None

    def __call__(self, step: str, work: Callable[[], Any]) -> Any:
        self.begin(step)
        result = work()
        self.end()
        return result


def full_run(evidence: Evidence, store: Store) -> Clock:
    """The last week from the first reading on; its table is left in the store's folder."""
    clock = Clock()
    history = clock("history", lambda: reconstruct(evidence))
    family_panels = clock("panels", lambda: panels(evidence, history))
    run = {"evidence": evidence, "history": history, "settings": Settings()}
    drift = clock("bands and drift", lambda: straying(family_panels, **run))
    drift.correction_state.write_parquet(store.path / "full.parquet")
    return clock


def keeping_run(evidence: Evidence, store: Store) -> Clock:
    """The week before, which keeps its checkpoint."""
    shutil.rmtree(store.path / NAME, ignore_errors=True)
    return incremental_run(evidence, store)


def incremental_run(evidence: Evidence, store: Store) -> Clock:
    """The last week on top of the checkpoint, as `leeway analyse --states` does it."""
    clock = Clock()
    with checkpoint_folder(store) as folder, ThreadPoolExecutor(1) as beside:
        kept = clock("checkpoint read", lambda: folder.read(say=print))
        written: list[Future[None]] = []
        table = correction_states_since(
            kept,
            evidence,
            settings=Settings(),
            keep=lambda left: written.append(beside.submit(folder.write, left)),
            put=folder.put,
            progress=clock.begin,
        )
        clock("checkpoint written, the rest", written[0].result)
    table.write_parquet(store.path / "increment.parquet")
    return clock


PARTS = {"full run": (full_run, 0), "run of the week before": (keeping_run, 1), "incremental run": (incremental_run, 0)}


def part(name: str, vehicles: int, corrections: int, folder: Path) -> None:
    """Run one part and print its figures as JSON."""
    store = Store(folder)
    run, back = PARTS[name]
    small, warm = fleet(60, 3, 40), Store(folder / "warm")
    warm.path.mkdir(exist_ok=True)
    for warming, week in ((full_run, 40), (keeping_run, 39), (incremental_run, 40)):
        warming(until(small, week), warm)
    evidence = until(fleet(vehicles, corrections), WEEKS - back)
    clock = run(evidence, store)
    print(json.dumps({"steps": clock.steps, "gib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20}))


def bare_scan(vehicles: int, corrections: int) -> float:
    """Seconds to add up as many values once."""
    column = np.random.default_rng(1).standard_normal(vehicles * WEEKS, dtype=np.float32)
    began = time.perf_counter()
    for _ in range(corrections):
        np.nansum(column)
    return time.perf_counter() - began


def library_line(values: int) -> str:
    """What a loop over a general library of streaming statistics would take, by a sample."""
    try:
        from river import drift  # noqa: PLC0415 (only this line of the benchmark needs it)
    except ImportError:
        return "general streaming library: not here; pip install river"
    sample = np.random.default_rng(1).standard_normal((SAMPLE // WEEKS, WEEKS)).tolist()
    took = {}
    for name in ("PageHinkley", "ADWIN"):
        began = time.perf_counter()
        for series in sample:
            detector = getattr(drift, name)()
            for value in series:
                detector.update(value)
        took[name] = (time.perf_counter() - began) / (len(sample) * WEEKS)
    shown = ", ".join(f"{name} {second * values:.0f} s" for name, second in took.items())
    return f"loop over a general streaming library (river), scaled from {SAMPLE} values: {shown}"


def main() -> None:
    """Print the figures of all parts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--vehicles", type=int, default=2000)
    parser.add_argument("--corrections", type=int, default=20)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--part", nargs=2, metavar=("NAME", "FOLDER"), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    vehicles, corrections = FULL if asked.full else (asked.vehicles, asked.corrections)
    if asked.part:
        part(asked.part[0], vehicles, corrections, Path(asked.part[1]))
        return
    values = vehicles * WEEKS * corrections
    scale = FULL[0] * WEEKS * FULL[1] / values
    print(f"{vehicles} vehicles x {WEEKS} weeks x {corrections} corrections = {values / 1e6:.1f} million values")
    with tempfile.TemporaryDirectory() as folder:
        for name in PARTS:
            command = [sys.executable, __file__, "--vehicles", str(vehicles), "--corrections", str(corrections)]
            run = subprocess.run([*command, "--part", name, folder], check=True, stdout=subprocess.PIPE, text=True)
            found = json.loads(run.stdout.splitlines()[-1])
            seconds, busy = (sum(step[i] for step in found["steps"].values()) for i in range(2))
            print(f"\n{name}: {seconds:.1f} s, {busy:.1f} s of processor, peak {found['gib']:.1f} GiB")
            if scale > 1:
                print(f"  scaled to 10,000 x 104 x 73: {scale * seconds:.0f} s, {scale * busy:.0f} s of processor")
            for step, (took, worked) in found["steps"].items():
                print(f"  {step:26s}{took:7.2f} s {worked:7.2f} s of processor")
        size = sum(file.stat().st_size for file in (Path(folder) / NAME).iterdir()) / 1e9
        same = pl.read_parquet(Path(folder) / "full.parquet").equals(
            pl.read_parquet(Path(folder) / "increment.parquet")
        )
    print(f"\ncheckpoint {size:.2f} GB; tables of the full and the incremental run {'equal' if same else 'DIFFER'}")
    print(f"wished at full size: {FULL_SECONDS:.0f} s and {FULL_GIB:.0f} GiB, incremental {INCREMENT_SECONDS:.0f} s")
    print(f"bare scan {bare_scan(vehicles, corrections):.2f} s")
    print(library_line(values))


if __name__ == "__main__":
    main()
