"""A small family with throttle work in the middle of its record, and what its corrections did around it."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from importlib.resources import files

import numpy as np
import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.handover import Drift, Evidence, FamilyDrift, History, Panel

START = datetime(2030, 1, 7, 9, tzinfo=UTC)
ROWS, WORK_AT = 40, 25  # weekly readings; the work is done between readings 24 and 25
DONE_AT = START + timedelta(days=7 * WORK_AT - 2)
CODES = ("iac_neutral", "throttle_area")
VEHICLES = tuple(f"van-{n:02}" for n in range(12))
TIME = pl.Datetime("us", "UTC")


@pytest.fixture(scope="session")
def catalogue() -> pl.DataFrame:
    text = files("pipelines.catalogue").joinpath("corrections.csv").read_bytes()
    return pl.read_csv(text, schema=drop_tables()["corrections"].schema)


@pytest.fixture
def drift(catalogue: pl.DataFrame) -> Callable[..., Drift]:
    """The first vehicle's corrections are off by `path` sigmas at each reading; the others are healthy."""

    def build(path: np.ndarray, *, relearning_last: bool = False, alarm_last: bool = False) -> Drift:
        read = catalogue.filter(pl.col("code").is_in(CODES))
        neutral, low, high = (read[name].to_numpy() for name in ("neutral", "low_limit", "high_limit"))
        sigma = np.array([0.8, 1.0])
        z = np.random.default_rng(7).normal(0, 0.5, (len(VEHICLES) * ROWS, 2))
        z[:ROWS] += path[:, None]
        week = np.array([START.replace(tzinfo=None) + timedelta(days=7 * k) for k in range(ROWS)])
        flags = np.zeros(z.shape, dtype=bool)
        relearning, alarm = flags.copy(), flags.copy()
        relearning[ROWS - 1], alarm[ROWS - 1] = relearning_last, alarm_last
        panel = Panel(
            family="rowan",
            vehicles=VEHICLES,
            codes=tuple(read["code"]),
            row_start=np.arange(len(VEHICLES) + 1) * ROWS,
            read_at=np.tile(week.astype("datetime64[us]"), len(VEHICLES)),
            hours=np.tile(np.arange(ROWS) * 10.0, len(VEHICLES)),
            km=np.tile(np.arange(ROWS) * 400.0, len(VEHICLES)),
            depot=np.zeros(len(z), dtype=np.int32),
            depots=("Millrace",),
            duty=np.zeros(len(z), dtype=np.int32),
            duties=("",),
            calibration=np.zeros(len(z), dtype=np.int32),
            calibrations=("a",),
            values=(neutral + z * sigma).astype(np.float32),
            epoch=np.zeros(z.shape, dtype=np.int32),
            low_limit=low,
            high_limit=high,
            neutral=neutral,
            resolution=read["resolution"].to_numpy(),
            can_fault_low=np.ones(2, dtype=bool),
            can_fault_high=np.ones(2, dtype=bool),
        )
        family = FamilyDrift(
            panel=panel,
            expected=np.broadcast_to(neutral, z.shape).astype(np.float32),
            sigma=sigma.astype(np.float32),
            memory_days=np.full(2, 10, dtype=np.float32),
            scale=np.ones(z.shape, dtype=np.float32),
            deviation=(z * sigma).astype(np.float32),
            z=z.astype(np.float32),
            slope=np.zeros(z.shape, dtype=np.float32),
            leeway=np.full(z.shape, 100, dtype=np.float32),
            evidence=np.where(alarm, 20.0, 0.0).astype(np.float32),
            threshold=np.full(2, 11, dtype=np.float32),
            alarm=alarm,
            relearning=relearning,
        )
        return Drift(families=(family,), correction_state=published_tables()["correction_state"].empty())

    return build


@pytest.fixture
def evidence(catalogue: pl.DataFrame) -> Callable[..., Evidence]:
    def build(*work: dict[str, object], as_of: datetime | None = None) -> Evidence:
        frames = {name: table.empty() for name, table in drop_tables().items() if name != "readings"}
        vehicles = pl.DataFrame({"vehicle_id": VEHICLES, "engine_family": ["rowan"] * len(VEHICLES)})
        frames["vehicles"] = pl.concat([frames["vehicles"], vehicles], how="diagonal")
        frames["corrections"] = catalogue
        if work:
            frames["work"] = pl.DataFrame(list(work), schema=drop_tables()["work"].schema)
        return Evidence(as_of=as_of or START + timedelta(days=7 * ROWS), **frames)

    return build


@pytest.fixture
def history() -> Callable[..., History]:
    def build(*events: dict[str, object]) -> History:
        schema = {
            "vehicle_id": pl.String, "code": pl.String, "found_at": TIME, "set_low": TIME, "set_at": TIME,
            "set_high": TIME, "ended_at": TIME, "ended": pl.String,
        }  # fmt: skip
        readings = pl.DataFrame(
            [
                (vehicle, START + timedelta(days=7 * k), "rowan", "Millrace", "parcels", 400.0 * k, "a", None, True)
                for vehicle in VEHICLES
                for k in range(ROWS)
            ],
            schema={
                "vehicle_id": pl.String, "read_at": TIME, "engine_family": pl.String, "depot": pl.String,
                "duty": pl.String, "km": pl.Float64, "calibration": pl.String, "module": pl.String,
                "faults_known": pl.Boolean,
            },
            orient="row",
        )  # fmt: skip
        return History(
            readings=readings,
            epochs=pl.DataFrame(),
            fault_events=pl.DataFrame(list(events), schema=schema),
            notices=pl.DataFrame(),
        )

    return build
