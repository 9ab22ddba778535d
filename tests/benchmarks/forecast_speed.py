"""Seconds and memory of outliers and forecast on made deviations of a large fleet; target: 90 s and 6 GB at 10,000.

Run: `python tests/benchmarks/forecast_speed.py [vehicles] [weeks]`.
"""

import resource
import sys
import time
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.forecast.hazard import forecast_faults
from pipelines.handover import Drift, Evidence, FamilyDrift, History, Panel
from pipelines.outliers.unlike_peers import unlike_peers
from pipelines.settings import Settings

START = datetime(2030, 1, 7, 8, tzinfo=UTC)
CORRECTIONS = 70


def main() -> None:
    """Prints one line a stage."""
    vehicles, weeks = (int(word) for word in [*sys.argv[1:], *("10000", "104")[len(sys.argv) - 1 :]])
    drift, evidence, history = large_fleet(vehicles, weeks)
    made = memory()
    began = time.perf_counter()
    outliers = unlike_peers(drift, evidence=evidence, settings=Settings())
    between = time.perf_counter()
    forecast = forecast_faults(drift, outliers, evidence=evidence, history=history, settings=Settings())
    ended = time.perf_counter()
    print(f"{vehicles} vehicles x {weeks} weeks x {CORRECTIONS}: {forecast.fault_forecast['basis'][0]}")
    print(
        f"outliers {between - began:.1f} s, forecast {ended - between:.1f} s; "
        f"together {(ended - began) / 90:.2f} of 90 s"
    )
    print(f"peak memory {memory():.1f} GB, of which {made:.1f} GB the made input; {memory() / 6:.2f} of 6 GB")


def memory() -> float:
    """Peak resident memory so far, GB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def large_fleet(vehicles: int, weeks: int) -> tuple[Drift, Evidence, History]:
    """A fifth of the vehicles stray in one correction, to a limit that sets a fault; readings are weekly."""
    rng = np.random.default_rng(1)
    shape = (vehicles, weeks, CORRECTIONS)
    z = (0.5 * rng.standard_normal(shape, dtype=np.float32)).astype(np.float32)
    onset = np.where(rng.random(vehicles) < 0.2, rng.integers(10, weeks, vehicles), weeks)
    growth = rng.exponential(0.6, vehicles) + 0.2
    ramp = np.maximum(np.arange(weeks) - onset[:, None], 0) * growth[:, None]
    column = rng.integers(0, CORRECTIONS, vehicles)
    z[np.arange(vehicles), :, column] += np.minimum(ramp, 22)
    flat = z.reshape(-1, CORRECTIONS)
    evidence = flat**2 * 2
    start = np.datetime64(START.replace(tzinfo=None), "us")
    codes = tuple(f"c{n:02d}" for n in range(CORRECTIONS))
    rows, every = vehicles * weeks, np.ones(CORRECTIONS, bool)
    ids = tuple(f"v{v:05d}" for v in range(vehicles))
    panel = Panel(
        family="alder", vehicles=ids, codes=codes, row_start=np.arange(vehicles + 1) * weeks,
        read_at=np.tile(start + np.arange(weeks) * np.timedelta64(7, "D"), vehicles), hours=np.zeros(rows),
        km=np.zeros(rows), depot=np.zeros(rows, np.int32), depots=("a",), calibration=np.zeros(rows, np.int32),
        calibrations=("a",), values=flat, epoch=np.zeros((1, 1), np.int32), low_limit=np.full(CORRECTIONS, -20.0),
        high_limit=np.full(CORRECTIONS, 20.0), neutral=np.zeros(CORRECTIONS), resolution=np.zeros(CORRECTIONS),
        can_fault_low=every, can_fault_high=every,
    )  # fmt: skip
    drift = FamilyDrift(
        panel=panel, expected=np.zeros_like(flat), sigma=np.ones(CORRECTIONS, np.float32),
        memory_days=np.full(CORRECTIONS, 5, np.float32), deviation=flat, z=flat, slope=np.zeros_like(flat),
        leeway=np.clip(100 - 5 * np.abs(flat), 0, 100), evidence=evidence,
        threshold=np.full(CORRECTIONS, 10, np.float32), alarm=evidence > 10, relearning=np.zeros(flat.shape, bool),
    )  # fmt: skip
    met = ramp >= 20
    week = np.where(met.any(axis=1), met.argmax(axis=1), -1)
    times = [START + timedelta(days=7 * int(w)) for w in week[week >= 0]]
    stamp = pl.Datetime("us", "UTC")
    faults = pl.DataFrame({"vehicle_id": np.array(ids)[week >= 0], "code": "P0171", "found_at": times}).with_columns(
        pl.col("found_at").cast(stamp), set_at=pl.col("found_at").cast(stamp) - timedelta(days=3),
        ended_at=pl.lit(None, stamp), ended=pl.lit("open"),
    )  # fmt: skip
    readings = pl.DataFrame({"vehicle_id": np.repeat(np.array(ids), weeks), "read_at": panel.read_at}).with_columns(
        pl.col("read_at").dt.replace_time_zone("UTC"), engine_family=pl.lit("alder"), power_lost=pl.lit(value=False),
        faults_known=pl.lit(value=True),
    )  # fmt: skip
    tables = {name: table.empty() for name, table in drop_tables().items() if name != "readings"}
    known = pl.DataFrame({"vehicle_id": ids, "engine_family": "alder"})
    tables["vehicles"] = pl.concat([tables["vehicles"], known], how="diagonal")
    catalogue = pl.DataFrame({"code": codes, "group": [f"g{n % 8}" for n in range(CORRECTIONS)], "fault_high": "P0171"})
    tables["corrections"] = pl.concat([tables["corrections"], catalogue], how="diagonal")
    history = History(readings=readings, epochs=pl.DataFrame(), fault_events=faults, notices=pl.DataFrame())
    as_of = START + timedelta(days=7 * (weeks - 1), hours=4)
    return Drift(families=(drift,), correction_state=pl.DataFrame()), Evidence(as_of=as_of, **tables), history


if __name__ == "__main__":
    main()
