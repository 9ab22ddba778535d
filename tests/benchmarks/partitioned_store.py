"""The same fleet as one file and as partitioned tables: conversion, loads, publishing, reads, and every page.

    python tests/benchmarks/partitioned_store.py STORE [--vehicles 10000] [--pages today vehicle ...]
    python tests/benchmarks/partitioned_store.py --random 30

The analysed STORE is replicated to so many vehicles (`dashboard_speed.replicated`) and converted. Printed, never
asserted: seconds that passed and processor seconds, for one file and for partitioned tables; then the pages, as
`dashboard_speed.py` prints them. With `--random`, random drops instead: loaded into both kinds, one withdrawn, every
table held against its like.
"""

import argparse
import logging
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import polars as pl

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "pipelines" / "store"))

from both_kinds import kept_alike
from dashboard_speed import measure, replicated
from few_drops import one_drop
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.views.address import PAGES
from pipelines.intake.load import load
from pipelines.store.connection import frame_of
from pipelines.store.conversion import convert
from pipelines.store.evidence import read_evidence
from pipelines.store.fleet_reads import correction_of_fleet
from pipelines.store.folder import Store
from pipelines.store.publish import publish_tables
from pipelines.store.published import kept_as_ofs, published_names, read_published, vehicle_snapshots

CODE = "ltft_b1_idle"


def timed(work: Callable[[], object]) -> str:
    """Seconds and processor seconds that the work took."""
    begun, cpu = time.perf_counter(), time.process_time()
    work()
    return f"{time.perf_counter() - begun:8.2f} {time.process_time() - cpu:8.2f}"


def week(store: Store, folder: Path, vehicles: int | None, days: int) -> Path:
    """A drop with a reading more of each vehicle, or of the first so many."""
    with store.reading() as connection:
        rows = frame_of(
            connection,
            "SELECT * EXCLUDE (load_id) FROM snapshots QUALIFY read_at = max(read_at) OVER (PARTITION BY vehicle_id)",
        )
    rows = rows.drop("rowid", strict=False).sort("vehicle_id").head(vehicles or rows.height)
    read = [name for name in rows.columns if rows[name].null_count() < rows.height]
    folder.mkdir()
    rows.select(read).with_columns(pl.col("read_at") + timedelta(days=days)).write_parquet(folder / "snapshots.parquet")
    return folder


def again(store: Store) -> None:
    """Publish the newest analysis a second time, a day later."""
    as_of = kept_as_ofs(store)[-1]
    names = [name for name in published_names(store) if as_of in kept_as_ofs(store, name)]
    tables = {name: read_published(store, name, as_of=as_of).drop("as_of") for name in names}
    publish_tables(store, tables, as_of + timedelta(days=1))


def size_of(store: Store) -> str:
    files = [file.stat().st_size for file in store.path.rglob("*") if file.is_file()]
    return f"{sum(files) / 1e6:.0f} MB in {len(files)} files"


def random_drops(count: int) -> None:
    """Load so many random lists of drops into both kinds."""

    @settings(max_examples=count, deadline=None, database=None)
    @given(drops=st.lists(one_drop(), min_size=2, max_size=3), data=st.data())
    def alike(drops: list[dict[str, str]], data: st.DataObject) -> None:
        gone = data.draw(st.sampled_from(["base", *(f"drop{n}" for n in range(1, len(drops)))]))
        with tempfile.TemporaryDirectory() as folder:
            kept_alike(Path(folder), drops, gone=gone)

    alike()
    print(f"{count} lists of drops: every table alike")


def main() -> None:
    """Make both, do everything on each."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("store", type=Path, nargs="?")
    asked.add_argument("--random", type=int, default=0)
    asked.add_argument("--vehicles", type=int, default=10_000)
    asked.add_argument("--pages", nargs="*", default=list(PAGES))
    asked.add_argument("--reads", action="store_true", help="conversion, reads and pages alone")
    asked.add_argument("--at", type=Path, help="folder to make both stores in, or that has them; default: for this run")
    options = asked.parse_args()
    if options.random:
        random_drops(options.random)
        return
    logging.disable(logging.WARNING)
    with tempfile.TemporaryDirectory(prefix="leeway-bench-") as place:
        folder = options.at or Path(place)
        one, parts = Store(folder / "one"), Store(folder / "parts")
        if not parts.exists():
            folder.mkdir(exist_ok=True)
            replicated(Store(options.store), options.vehicles, folder / "one")
            print("into partitioned tables", timed(lambda: convert(one, parts)), size_of(one), size_of(parts), sep="\t")
            print("and back", timed(lambda: convert(parts, Store(folder / "back"))), sep="\t")
            shutil.rmtree(folder / "back")
        with one.reading() as connection:
            vehicle = frame_of(connection, "SELECT vehicle_id FROM vehicles ORDER BY 1").item(options.vehicles // 2, 0)
        drops = [week(one, Path(place) / f"week{n}", vehicles, 7 * n) for n, vehicles in ((1, None), (2, 50))]
        works: dict[str, Callable[[Store], object]] = {
            "first read": lambda store: vehicle_snapshots(store, vehicle),
            "one vehicle": lambda store: vehicle_snapshots(store, vehicle),
            "one correction of the fleet": lambda store: correction_of_fleet(store, CODE),
            "evidence of one vehicle": lambda store: read_evidence(store, vehicle_ids=[vehicle]),
            "a week of every vehicle": lambda store: load(store, drops[:1]),
            "a reading of 50 vehicles": lambda store: load(store, drops[1:]),
            "publish the newest analysis": again,
        }
        for store in (one, parts):  # in turn: a process keeps one store attached
            print(store.path.name)
            for name, work in list(works.items())[: 4 if options.reads else None]:
                print(f"{name:<30}", timed(lambda w=work, s=store: w(s)), flush=True)
            print(size_of(store))
            measure(store, options.vehicles, options.pages)


if __name__ == "__main__":
    main()
