"""Time of the stage `history` on a wide fleet, beside a bare scan of the same values.

Run: python tests/benchmarks/history_speed.py [vehicles] [weeks] [corrections]
"""

import sys
import time
from datetime import UTC, datetime

import numpy as np
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Evidence
from pipelines.history.reconstruct import reconstruct

FLOOR_SECONDS = 10.0  # for a million readings of 73 corrections


def wide_fleet(vehicles: int, weeks: int, corrections: int, seed: int = 1) -> Evidence:
    """Weekly readings with restarting clocks, quantised values, a code now and then and yearly work."""
    rng = np.random.default_rng(seed)
    rows = vehicles * weeks
    vehicle = np.repeat(np.arange(vehicles), weeks)
    week = np.tile(np.arange(weeks), vehicles)
    start = datetime(2029, 1, 1, tzinfo=UTC)
    read_at = pl.Series(week * 7 * 86_400_000_000 + rng.integers(0, 86_400_000_000, rows)).cast(pl.Duration("us"))
    hours = np.cumsum(rng.gamma(4.0, 2.0, (vehicles, weeks)), axis=1)
    restart = rng.random((vehicles, weeks)) < 1 / 300
    base = np.maximum.accumulate(np.where(restart, hours - 2.0, 0.0), axis=1)
    ids = pl.Series([f"V{i:05d}" for i in range(vehicles)])
    codes = [f"c{i:02d}" for i in range(corrections)]
    values = {code: (np.round(rng.normal(2.0, 0.4, rows) / 0.25) * 0.25).astype(np.float32) for code in codes}
    contract = drop_tables()
    snapshots = (
        pl.DataFrame(
            {
                "vehicle_id": ids[vehicle],
                "since": read_at,
                "ignition_hours": (hours - base).ravel().round(1),
                "odometer_km": 40_000 + (hours * 35).ravel().round(0),
                "calibration": np.where(week < weeks // 2, "A1", "A2"),
                "faults_read": True,
                **values,
            }
        )
        .with_columns(read_at=pl.lit(start).cast(pl.Datetime("us", "UTC")) + pl.col("since"))
        .drop("since")
    )
    faults = snapshots.filter(pl.Series(rng.random(rows) < 0.002)).select(
        "vehicle_id", "read_at", code=pl.lit("P0171"), confirmed=pl.lit(value=True), ignition_hours="ignition_hours"
    )
    work = snapshots.filter(pl.Series(rng.random(rows) < 0.003)).select(
        "vehicle_id",
        done_at="read_at",
        kind=pl.lit("replacement"),
        component=pl.lit("part"),
        reset_done=pl.lit(value=True),
    )
    given = {
        "vehicles": pl.DataFrame({"vehicle_id": ids, "engine_family": [f"F{i % 3}" for i in range(vehicles)]}),
        "snapshots": snapshots,
        "faults": faults,
        "work": work,
        "corrections": pl.DataFrame({"code": codes, "neutral": 0.0, "resolution": 0.25, "component": "part"}),
    }
    frames = {
        name: pl.concat([table.empty(), given[name]], how="diagonal_relaxed").sort(table.key) if name in given
        else table.empty()
        for name, table in contract.items()
        if name != "readings"
    }  # fmt: skip
    return Evidence(as_of=snapshots["read_at"].max(), **frames)


def main(vehicles: int = 10_000, weeks: int = 104, corrections: int = 73) -> None:
    """Print the seconds of the stage, of a bare scan, and their ratio."""
    reconstruct(wide_fleet(20, 30, 3))  # compiles
    evidence = wide_fleet(vehicles, weeks, corrections)
    begun = time.perf_counter()
    history = reconstruct(evidence)
    took = time.perf_counter() - begun
    begun = time.perf_counter()
    evidence.snapshots.select(pl.col(pl.Float32).median())
    scan = time.perf_counter() - begun
    cells = vehicles * weeks * corrections / 1e6
    print(f"{vehicles} vehicles x {weeks} weeks x {corrections} corrections: {cells:.1f} million values")
    print(f"history          {took:8.2f} s (floor {FLOOR_SECONDS * cells / 76:.1f} s)")
    print(f"bare median scan {scan:8.2f} s, ratio {took / scan:.1f}")
    print(
        f"{history.epochs.height} epochs, {history.fault_events.height} fault events, {history.notices.height} notices"
    )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
