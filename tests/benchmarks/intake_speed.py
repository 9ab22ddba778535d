"""Speed of loading and reading beside bare DuckDB on the same files, in the same run; prints figures and ratios.

Run: python tests/benchmarks/intake_speed.py [VEHICLES] (default 10,000, by 104 weeks and 70 corrections).
"""

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.intake.load import load
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.published import vehicle_snapshots

WEEKS = 104
CODES = built_in_corrections()["code"].to_list()[:70]


def timed(work: Callable[[], object]) -> float:
    """Seconds the work took."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def fleet(vehicles: int, weeks: int = WEEKS, first_week: int = 0) -> pl.DataFrame:
    """Snapshots of a fleet in arrival order: week by week, all vehicles."""
    random = np.random.default_rng(1 + first_week)
    rows = vehicles * weeks
    vehicle = np.tile(np.arange(vehicles), weeks)
    week = np.repeat(np.arange(weeks), vehicles) + first_week
    start = datetime(2029, 1, 1, 6, tzinfo=UTC)
    times = pl.Series("read_at", week * 7 * 86_400 + vehicle % 86_400, dtype=pl.Int64)
    limits = built_in_corrections()
    columns: dict[str, object] = {
        "vehicle_id": pl.Series(vehicle).cast(pl.String).str.pad_start(6, "0"),
        "read_at": pl.Series([start]).dt.cast_time_unit("us").new_from_index(0, rows)
        + pl.select(pl.duration(seconds=times)).to_series(),
        "ignition_hours": week * 12.0,
        "odometer_km": week * 400.0 + vehicle,
        "faults_read": np.ones(rows, dtype=bool),
    }
    for code, low, high, step in (
        limits.filter(pl.col("code").is_in(CODES)).select("code", "low_limit", "high_limit", "resolution").iter_rows()
    ):
        values = random.normal((low + high) / 2, (high - low) / 20, rows)
        columns[code] = (np.round(values / (step or 0.01)) * (step or 0.01)).astype(np.float32)
    return pl.DataFrame(columns)


def load_in_child(store: Path, drop: Path) -> tuple[float, float, float]:
    """Seconds, seconds of CPU (both without Python's start) and peak memory in MB of a load in its own process."""
    done = subprocess.run(
        [sys.executable, __file__, "--child", str(store), str(drop)], check=True, capture_output=True, text=True
    )
    seconds, cpu, megabytes = done.stdout.split()[-3:]
    return float(seconds), float(cpu), float(megabytes)


def child(store: str, drop: str) -> None:
    cpu = time.process_time()
    seconds = timed(lambda: load(Store(store), [Path(drop)]))
    print(seconds, time.process_time() - cpu, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def bare(query: str, folder: Path) -> tuple[float, float, float]:
    """Seconds and seconds of CPU that bare DuckDB takes to make a table of the same file, and seconds until closed.

    The database is a file. What the statement leaves to the checkpoint is done when the file is closed; a load's figure
    holds its own checkpoint, so the promise is kept against the stricter of the two.
    """
    file = folder / f"bare-{time.monotonic_ns()}.duckdb"
    connection = duckdb.connect(str(file))
    connection.execute("SET enable_progress_bar = false")
    cpu = time.process_time()
    seconds = timed(lambda: connection.execute(query))
    cpu = time.process_time() - cpu
    closed = seconds + timed(connection.close)
    file.unlink()
    return seconds, cpu, closed


def main(vehicles: int) -> None:
    """Print every figure that the project promises of intake and store."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        snapshots = fleet(vehicles)
        parquet, text = folder / "snapshots.parquet", folder / "snapshots.csv"
        snapshots.write_parquet(parquet)
        snapshots.write_csv(text, datetime_format="%Y-%m-%dT%H:%M:%SZ", float_precision=3)
        pl.DataFrame({"vehicle_id": snapshots["vehicle_id"].unique().sort(), "engine_family": "alder"}).write_csv(
            folder / "vehicles.csv"
        )
        rows = snapshots.height
        del snapshots
        sizes = [file.stat().st_size / 1e6 for file in (parquet, text)]
        print(f"{rows:,} snapshots x {len(CODES)} corrections; parquet {sizes[0]:.0f} MB, csv {sizes[1]:.0f} MB")
        floats = ", ".join(f"'{code}': 'FLOAT'" for code in CODES)
        for kind, file, query, promise in (
            ("parquet", parquet, f"CREATE TABLE t AS SELECT * FROM read_parquet('{parquet}')", 2.5),
            ("csv", text, f"CREATE TABLE t AS SELECT * FROM read_csv('{text}', types={{{floats}}})", 1.7),
        ):
            floors, runs = [], []
            for run in range(2):  # turn about: on a busy machine both get their share of it
                floors.append(bare(query, folder))
                runs.append(load_in_child(folder / f"{kind}-{run}.store", file))
            (seconds, cpu), memory = (min(run[n] for run in runs) for n in (0, 1)), max(run[2] for run in runs)
            floor, floor_cpu, closed = (min(run[n] for run in floors) for n in (0, 1, 2))
            print(
                f"load {kind}: {seconds:.2f} s, bare DuckDB {floor:.2f} s ({closed:.2f} s until its file is closed), "
                f"ratio {seconds / floor:.2f} (at most {promise}); {memory:.0f} MB; "
                f"CPU {cpu:.2f} s, bare {floor_cpu:.2f} s, ratio {cpu / floor_cpu:.2f}"
            )
        store = Store(folder / "parquet-0.store")
        load(store, [folder / "vehicles.csv"])
        figures(store, folder, vehicles)


def print_reads(what: str, read: Callable[[str], object], vehicles: int) -> None:
    """How long one vehicle's rows take, over twenty vehicles."""
    numbers = [f"{number:06d}" for number in range(0, vehicles, vehicles // 20)]
    reads = sorted(timed(partial(read, number)) * 1000 for number in numbers)
    print(f"one vehicle's {what}: median {reads[len(reads) // 2]:.0f} ms, worst {reads[-1]:.0f} ms (at most 30)")


def figures(store: Store, folder: Path, vehicles: int) -> None:
    """One vehicle's rows, a new week, many small files."""
    print_reads("history", lambda vehicle: vehicle_snapshots(store, vehicle), vehicles)
    print_reads("evidence", lambda vehicle: read_evidence(store, vehicle_ids=[vehicle]), vehicles)
    fleet(vehicles, 1, WEEKS).write_parquet(folder / "snapshots-week.parquet")
    seconds = timed(lambda: load(store, [folder / "snapshots-week.parquet"]))
    print(f"a new week of {vehicles:,} rows, loaded until readers see it: {seconds:.2f} s (at most 2)")
    small = folder / "small"
    small.mkdir()
    for number, row in enumerate(fleet(2000, 1, WEEKS + 1).iter_slices(1)):
        row.write_csv(small / f"snapshots-{number:04d}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")
    print(f"2,000 files of one row: {timed(lambda: load(Store(folder / 'small.store'), [small])):.2f} s (at most 3)")
    print(f"the same into the large store: {timed(lambda: load(store, [small])):.2f} s")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        child(*sys.argv[2:])
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
