"""Rerun time of every page at 300, 2,000 and 10,000 vehicles: python tests/benchmarks/dashboard_speed.py [STORE].

A small analysed store is replicated: its drop and published tables stand there many times under new vehicle numbers.
Printed, not asserted: first visit, median and 95th percentile of reruns (s), and of their processor time, which
a busy machine stretches less. The test driver's own work, which reads every element back, is part of it.
"""

import argparse
import logging
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

import duckdb
from streamlit.testing.v1 import AppTest

from dashboard.demo import make_demo
from dashboard.variables import STORE as STORE_VARIABLE
from dashboard.views.address import PAGES
from dashboard.warm import set_apart
from pipelines.store.folder import Store

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
SIZES = (300, 2_000, 10_000)
RERUNS = 11


def main() -> None:
    """Make the stores, run every page on each, print one table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("store", nargs="?", type=Path, help="analysed store to replicate; default: one is made")
    asked.add_argument("--pages", nargs="*", default=list(PAGES))
    asked.add_argument("--sizes", nargs="*", type=int, default=SIZES)
    given = asked.parse_args()
    logging.disable(logging.WARNING)  # Streamlit says at every run that no browser is there
    with tempfile.TemporaryDirectory(prefix="leeway-bench-") as folder:
        small = Store(given.store or Path(folder) / "small")
        if given.store is None:
            make_demo(small, vehicles=100, weeks=52, seed=1, open_standard_only=False, say=_say)
        print(f"{'vehicles':>9} {'page':<10} {'first s':>8} {'median s':>9} {'p95 s':>7} {'CPU median':>11} {'p95':>6}")
        for size in given.sizes:
            measure(replicated(small, size, Path(folder) / str(size)), size, given.pages)


def _say(text: str) -> None:
    print(text, file=sys.stderr)


def replicated(small: Store, vehicles: int, place: Path) -> Store:
    """A store of at least so many vehicles, made of copies of a small one."""
    with small.reading() as source:
        known = [name for (name,) in source.execute("SELECT vehicle_id FROM vehicles").fetchall()]
        path = source.execute("SELECT path FROM duckdb_databases() WHERE path IS NOT NULL").fetchone()[0]
    copies = -(-vehicles // len(known))
    place.mkdir()
    state = place / "state-000001.duckdb"
    state.write_bytes(Path(path).read_bytes())
    (place / "current").write_text(f"{state.name}\n", encoding="ascii")
    with duckdb.connect(str(state)) as grown:
        for schema, name in _tables_of_vehicles(grown):
            table = f'"{schema}"."{name}"'
            grown.execute(
                f"INSERT INTO {table} SELECT * EXCLUDE (copy) REPLACE (vehicle_id || '-' || copy AS vehicle_id) "
                f"FROM {table}, range(1, {copies}) AS copies(copy)"
            )
    return Store(place)


def _tables_of_vehicles(connection: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    return connection.execute(
        "SELECT c.table_schema, c.table_name FROM information_schema.columns c JOIN information_schema.tables t "
        "USING (table_schema, table_name) WHERE c.column_name = 'vehicle_id' AND t.table_type = 'BASE TABLE' "
        "ORDER BY ALL"
    ).fetchall()


def measure(store: Store, size: int, pages: list[str]) -> None:
    """Run pages on a store, and print a line for each."""
    os.environ[STORE_VARIABLE] = str(store.path)
    for page in pages:
        app = AppTest.from_file(str(APP), default_timeout=300)
        if page != "today":
            app.switch_page(f"screens/{page}.py")
        first, _ = _run_s(app)
        set_apart()  # as the server does
        again = [_run_s(app) for _ in range(RERUNS)]
        if app.exception:
            raise RuntimeError(f"{page}: {app.exception[0].message}")
        wall, cpu = zip(*again, strict=True)
        p95, cpu_p95 = (statistics.quantiles(each, n=20)[-1] for each in (wall, cpu))
        print(
            f"{size:>9} {page:<10} {first:8.2f} {statistics.median(wall):9.3f} {p95:7.3f} "
            f"{statistics.median(cpu):11.3f} {cpu_p95:6.3f}",
            flush=True,
        )


def _run_s(app: AppTest) -> tuple[float, float]:
    """One rerun: seconds that passed, and processor seconds."""
    begun, begun_cpu = time.perf_counter(), time.process_time()
    app.run()
    return time.perf_counter() - begun, time.process_time() - begun_cpu


if __name__ == "__main__":
    main()
