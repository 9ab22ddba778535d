"""From how many readings on a vehicle is named, and how often healthy ones are: small fleets of plain fuel trims.

    python tests/benchmarks/first_readings.py [SEEDS]

Fleets of 1, 3, 12 and 100 vehicles read weekly; per vehicle ltft_b1 with its own level (sd 1.5 %), noise (sd 0.8 %, a
memory of two weeks) and the standard's steps of 0.78125 %. One vehicle is bad from its first reading (+20 %), one
drifts from its sixth (1 % a week); a fleet of one is tried in each way. Analysed as of each reading; `named` is a state
of drifting or outside. Levels, noise and rates are judgement: a garage's readings, not those of our simulator.
"""

import sys
import tempfile
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.bands.panel import panels
from pipelines.drift.stage import straying
from pipelines.history.reconstruct import reconstruct
from pipelines.intake.load import load
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store

SIZES = (1, 3, 12, 100)
COUNTS = (1, 3, 5, 8, 12, 26)
STEP = 0.78125
BAD, DRIFTS, HEALTHY = "bad", "drifts", "healthy"
FIRST = datetime(2026, 1, 5, 8, tzinfo=UTC)


def kinds(size: int, run: int) -> list[str]:
    """What each vehicle of a fleet is."""
    if size == 1:
        return [(HEALTHY, BAD, DRIFTS)[run % 3]]
    return [BAD, DRIFTS, *[HEALTHY] * (size - 2)]


def readings(kind: str, rng: np.random.Generator) -> np.ndarray:
    """Weekly values of one vehicle."""
    weeks = np.arange(max(COUNTS))
    noise = np.zeros(len(weeks))
    for week in weeks:
        noise[week] = (0.6 * noise[week - 1] if week else 0.0) + rng.normal(0, 0.8 * (0.8 if week else 1.0))
    level = rng.normal(0, 1.5) + (20.0 if kind == BAD else 0.0)
    drift = np.maximum(weeks - 5, 0) * 1.0 if kind == DRIFTS else 0.0
    return np.clip(np.round((level + noise + drift) / STEP) * STEP, -25, 25)


def states(size: int, run: int) -> dict[int, list[tuple[str, str]]]:
    """By number of readings: kind and state of each vehicle of one fleet."""
    rng = np.random.default_rng([size, run])
    return states_of({f"{kind} {n}": readings(kind, rng) for n, kind in enumerate(kinds(size, run))})


def states_of(
    values: Mapping[str, Sequence[float] | np.ndarray], counts: Sequence[int] = COUNTS
) -> dict[int, list[tuple[str, str]]]:
    """By number of readings: first word of each vehicle's name, and its state, of weekly values by vehicle."""
    rows = [
        {"vehicle_id": name, "read_at": FIRST + timedelta(weeks=week), "ltft_b1": float(value)}
        for name, series in values.items() for week, value in enumerate(series)
    ]  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        drop = Path(folder) / "drop"
        drop.mkdir()
        pl.DataFrame(rows).write_parquet(drop / "snapshots.parquet")
        vehicles = pl.DataFrame({"vehicle_id": list(values), "engine_family": ["one"] * len(values)})
        vehicles.write_csv(drop / "vehicles.csv")
        store = Store(Path(folder) / "store")
        load(store, [drop])
        return {count: _states_as_of(store, FIRST + timedelta(weeks=count - 1)) for count in counts}


def _states_as_of(store: Store, as_of: datetime) -> list[tuple[str, str]]:
    evidence = read_evidence(store, as_of=as_of)
    history = reconstruct(evidence)
    drift = straying(panels(evidence, history), evidence=evidence, history=history, settings=Settings())
    rows = drift.correction_state.filter(pl.col("correction") == "ltft_b1").select("vehicle_id", "state").rows()
    return [(name.split()[0], state) for name, state in rows]


def main() -> None:
    """A line per fleet size, kind and number of readings: how many are named, of how many, and as what."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    for size in SIZES:
        found: dict[tuple[str, int], list[str]] = defaultdict(list)
        for run in range(runs if size < max(SIZES) else max(runs // 3, 1)):
            for count, rows in states(size, run).items():
                for kind, state in rows:
                    found[kind, count].append(state)
        for kind in (HEALTHY, BAD, DRIFTS):
            parts = []
            for count in COUNTS:
                seen = found[kind, count]
                named = sum(state in ("drifting", "outside") for state in seen)
                learning = sum(state == "relearning" for state in seen)
                parts.append(f"{count}: {named}/{len(seen)}" + (f" ({learning} learning)" if learning else ""))
            print(f"{size:>3} vehicles, {kind:7}  named at readings  {', '.join(parts)}", flush=True)


if __name__ == "__main__":
    main()
