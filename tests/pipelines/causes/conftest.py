"""Small fleets in the form that the stages hand over: healthy noise, and a known cause planted on one vehicle."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from importlib.resources import files

import numpy as np
import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.causes.hypotheses import EngineLayout, hypotheses
from pipelines.handover import Drift, Evidence, FamilyDrift, History, Panel

AS_OF = datetime(2031, 6, 2, 12, tzinfo=UTC)
V6 = EngineLayout(bank_of_cylinder={1: 1, 2: 1, 3: 1, 4: 2, 5: 2, 6: 2})


@pytest.fixture(scope="session")
def catalogue() -> pl.DataFrame:
    text = files("pipelines.catalogue").joinpath("corrections.csv").read_bytes()
    return pl.read_csv(text, schema=drop_tables()["corrections"].schema)


@pytest.fixture
def evidence(catalogue: pl.DataFrame) -> Callable[..., Evidence]:
    def build(vehicles: tuple[str, ...], *, family: str = "hawthorn", **tables: pl.DataFrame) -> Evidence:
        empty = {name: table.empty() for name, table in drop_tables().items() if name != "readings"}
        empty["corrections"] = catalogue
        empty["vehicles"] = pl.concat(
            [
                empty["vehicles"],
                pl.DataFrame({"vehicle_id": vehicles, "engine_family": [family] * len(vehicles)}),
            ],
            how="diagonal",
        )
        empty["families"] = pl.DataFrame(
            {
                "engine_family": [family],
                "cylinders": [6],
                "banks": [2],
                "bank_of_cylinder": ["1:1 2:1 3:1 4:2 5:2 6:2"],
            }
        )
        return Evidence(as_of=AS_OF, **{**empty, **tables})

    return build


@pytest.fixture
def history() -> Callable[..., History]:
    def build(fault_events: pl.DataFrame | None = None) -> History:
        time = pl.Datetime("us", "UTC")
        events = pl.DataFrame(
            schema={
                "vehicle_id": pl.String,
                "code": pl.String,
                "found_at": time,
                "set_low": time,
                "set_at": time,
                "set_high": time,
                "ended_at": time,
                "ended": pl.String,
            }
        )
        if fault_events is not None:
            events = pl.concat([events, fault_events], how="diagonal")
        return History(readings=pl.DataFrame(), epochs=pl.DataFrame(), fault_events=events, notices=pl.DataFrame())

    return build


@pytest.fixture
def healthy(catalogue: pl.DataFrame) -> Callable[..., FamilyDrift]:
    """A family whose deviations are noise of sd 0.5 sigma; sigma is a fortieth of the nearer way to a limit."""

    def build(
        vehicles: tuple[str, ...] = ("van-1",),
        *,
        codes: tuple[str, ...] | None = None,
        rows: int = 30,
        seed: int = 1,
        family: str = "hawthorn",
    ) -> FamilyDrift:
        read = catalogue if codes is None else catalogue.filter(pl.col("code").is_in(codes))
        count, columns = rows * len(vehicles), read.height
        z = np.random.default_rng(seed).normal(0, 0.5, (count, columns)).astype(np.float32)
        neutral, low, high = (read[name].to_numpy() for name in ("neutral", "low_limit", "high_limit"))
        sigma = np.minimum(high - neutral, neutral - low) / 40
        week = np.array([AS_OF.replace(tzinfo=None) - timedelta(days=7 * k) for k in reversed(range(rows))])
        panel = Panel(
            family=family,
            vehicles=vehicles,
            codes=tuple(read["code"]),
            row_start=np.arange(len(vehicles) + 1) * rows,
            read_at=np.tile(week.astype("datetime64[us]"), len(vehicles)),
            hours=np.tile(np.arange(rows) * 10.0, len(vehicles)),
            km=np.tile(np.arange(rows) * 400.0, len(vehicles)),
            depot=np.zeros(count, dtype=np.int32),
            depots=("Millrace",),
            duty=np.zeros(count, dtype=np.int32),
            duties=("",),
            calibration=np.zeros(count, dtype=np.int32),
            calibrations=("a",),
            values=(neutral + z * sigma).astype(np.float32),
            epoch=np.zeros((count, columns), dtype=np.int32),
            low_limit=low,
            high_limit=high,
            neutral=neutral,
            resolution=read["resolution"].to_numpy(),
            can_fault_low=read["fault_low"].is_not_null().to_numpy(),
            can_fault_high=read["fault_high"].is_not_null().to_numpy(),
        )
        return FamilyDrift(
            panel=panel,
            expected=np.broadcast_to(neutral, z.shape).astype(np.float32),
            sigma=sigma.astype(np.float32),
            memory_days=np.full(columns, 10, dtype=np.float32),
            scale=np.ones(z.shape, dtype=np.float32),
            deviation=(z * sigma).astype(np.float32),
            z=z,
            slope=np.zeros_like(z),
            leeway=np.full_like(z, 100),
            evidence=np.zeros_like(z),
            threshold=np.full(columns, 11, dtype=np.float32),
            alarm=np.zeros(z.shape, dtype=bool),
            relearning=np.zeros(z.shape, dtype=bool),
        )

    return build


def plant(
    family: FamilyDrift,
    cause: str,
    variant: str,
    *,
    severity: float,
    bank: int | None = None,
    cylinder: int | None = None,
    vehicle: int = 0,
) -> None:
    """Adds the signature of a cause to the newest row of one vehicle, in place."""
    panel = family.panel
    row = panel.row_start[vehicle + 1] - 1
    chosen = next(
        h
        for h in hypotheses(panel.codes, V6)
        if (h.cause.id, h.variant.name) == (cause, variant) and h.bank == bank and h.cylinder == cylinder
    )
    up, down = panel.high_limit - panel.neutral, panel.neutral - panel.low_limit
    move = severity * chosen.share * np.where(chosen.share > 0, up, down)
    family.deviation[row] += move
    family.z[row] += move / family.sigma


def as_drift(*families: FamilyDrift) -> Drift:
    return Drift(families=families, correction_state=published_tables()["correction_state"].empty())
