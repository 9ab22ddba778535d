"""Light fleets for the tests of bands and drift: the benchmark's generator, which shares nothing with the simulator."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.bands.panel import panels
from pipelines.drift.stage import straying
from pipelines.settings import Settings

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))


@pytest.fixture
def drift_of():
    """Function: fleet -> Drift, with the promise as a keyword."""

    def run(fleet, **settings):
        return straying(
            panels(fleet.evidence, fleet.history),
            evidence=fleet.evidence,
            history=fleet.history,
            settings=Settings(**settings),
        )

    return run


@pytest.fixture
def changed():
    """Function: fleet, function of (vehicle, day, values of one code) -> the same fleet with that code changed."""

    def run(fleet, code, change):
        snapshots = fleet.evidence.snapshots
        vehicle = snapshots["vehicle_id"].to_numpy()
        values = change(vehicle, fleet.day, snapshots[code].to_numpy().astype(float))
        new = snapshots.with_columns(pl.Series(code, values, dtype=pl.Float32).fill_nan(None))
        return replace(fleet, evidence=replace(fleet.evidence, snapshots=new))

    return run


@pytest.fixture
def with_epoch():
    """Function: fleet, vehicle, day -> the same fleet with a learning epoch of all its corrections from then on."""

    def run(fleet, vehicle, day, reason="reset"):
        readings = fleet.history.readings
        mine = np.flatnonzero((readings["vehicle_id"].to_numpy() == vehicle) & (fleet.day >= day))
        first = readings["read_at"][int(mine[0])]
        row = pl.DataFrame(
            {
                "vehicle_id": [vehicle],
                "correction": [None],
                "started_at": [first],
                "first_read_at": [first],
                "reason": [reason],
                "recorded": [True],
            },
            schema=fleet.history.epochs.schema,
        )
        return replace(fleet, history=replace(fleet.history, epochs=pl.concat([fleet.history.epochs, row])))

    return run


def state_of(drift, vehicle, code):
    """The row of correction_state as a dict."""
    return drift.correction_state.row(
        by_predicate=(pl.col("vehicle_id") == vehicle) & (pl.col("correction") == code), named=True
    )


@pytest.fixture
def state():
    return state_of
