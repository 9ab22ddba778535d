"""Seconds and memory of outliers and forecast on made deviations of a large fleet, and of a stored model on a new week.

Targets at 10,000 vehicles and 104 weeks: 90 s and 6 GB; 10 s by the stored model. Seconds of processor time stand
beside those of the clock, for machines that others use too.

Run: `python tests/benchmarks/forecast_speed.py [vehicles] [weeks]`.
"""

import resource
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import TypeVar

import numpy as np
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.forecast.hazard import forecast_by_stored_model, forecast_faults
from pipelines.handover import Drift, Evidence, FamilyDrift, History, Panel
from pipelines.outliers.stage import unlike_peers
from pipelines.settings import Settings

START = datetime(2030, 1, 7, 8, tzinfo=UTC)
CORRECTIONS = 70
Made = TypeVar("Made")


def main() -> None:
    """Prints one line a stage."""
    vehicles, weeks = (int(word) for word in [*sys.argv[1:], *("10000", "104")[len(sys.argv) - 1 :]])
    drift, evidence, history = large_fleet(vehicles, weeks)
    made = memory()
    known = {"evidence": evidence, "history": history}
    took: dict[str, tuple[float, float]] = {}
    outliers = timed(took, "outliers", lambda: unlike_peers(drift, evidence=evidence, settings=Settings()))
    forecast = timed(took, "forecast", lambda: forecast_faults(drift, outliers, **known, settings=Settings()))
    timed(took, "stored model", lambda: forecast_by_stored_model(forecast.model, drift, outliers, **known))
    print(f"{vehicles} vehicles x {weeks} weeks x {CORRECTIONS}: {forecast.fault_forecast['basis'][0]}")
    for stage, (clock, processor) in took.items():
        print(f"{stage:14}{clock:7.1f} s, {processor:.1f} s of processor")
    together = [sum(took[stage][n] for stage in ("outliers", "forecast")) / 90 for n in (0, 1)]
    print(f"outliers and forecast: {together[0]:.2f} of 90 s ({together[1]:.2f} by processor time)")
    print(f"stored model: {took['stored model'][0] / 10:.2f} of 10 s ({took['stored model'][1] / 10:.2f})")
    print(f"peak memory {memory():.1f} GB, of which {made:.1f} GB the made input; {memory() / 6:.2f} of 6 GB")


def timed(took: dict[str, tuple[float, float]], stage: str, work: Callable[[], Made]) -> Made:
    """What the work gives; notes its seconds by the clock and of processor time."""
    clock, processor = time.perf_counter(), time.process_time()
    result = work()
    took[stage] = time.perf_counter() - clock, time.process_time() - processor
    return result


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
        km=np.zeros(rows), depot=np.zeros(rows, np.int32), depots=("a",), duty=np.zeros(rows, np.int32), duties=("",),
        calibration=np.zeros(rows, np.int32),
        calibrations=("a",), values=flat, epoch=np.zeros(flat.shape, np.int32), low_limit=np.full(CORRECTIONS, -20.0),
        high_limit=np.full(CORRECTIONS, 20.0), neutral=np.zeros(CORRECTIONS), resolution=np.zeros(CORRECTIONS),
        can_fault_low=every, can_fault_high=every,
    )  # fmt: skip
    drift = FamilyDrift(
        panel=panel, expected=np.zeros_like(flat), sigma=np.ones(CORRECTIONS, np.float32),
        memory_days=np.full(CORRECTIONS, 5, np.float32), scale=np.ones_like(flat),
        deviation=flat, z=flat, slope=np.zeros_like(flat),
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
