"""Arrays of a light fleet as the frames that the stages take: readings in, evidence and history out."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Evidence, History

START = datetime(2031, 1, 6, 8, tzinfo=UTC)
HOURS_A_DAY, KM_A_DAY = 1.5, 50.0


def evidence_and_history(
    x: np.ndarray,
    *,
    vehicle: np.ndarray,
    day: np.ndarray,
    family_of: np.ndarray,
    depot: np.ndarray,
    duty: np.ndarray,
    calibration: np.ndarray,
    events: dict[str, np.ndarray],
    authority: float,
    resolution: np.ndarray,
    learn_hours: float,
) -> tuple[Evidence, History]:
    """Frames of readings `x` [R, C] in sigmas; each correction gets a unit of its own."""
    m = x.shape[1]
    unit = np.geomspace(0.1, 10, m)
    codes = [f"channel_{i + 1}" for i in range(m)]
    tables = {name: table.empty() for name, table in drop_tables().items()}
    names = np.array([f"vehicle-{v:05d}" for v in range(len(family_of))], dtype=object)
    read_at = pl.Series([START + timedelta(days=float(d)) for d in day], dtype=pl.Datetime("us", "UTC"))
    keys = pl.DataFrame({"vehicle_id": names[vehicle].tolist(), "read_at": read_at})
    clocks = keys.with_columns(
        odometer_km=pl.Series(day * KM_A_DAY),
        ignition_hours=pl.Series(day * HOURS_A_DAY),
        calibration=pl.Series([chr(ord("A") + k) for k in calibration]),
    )
    values = pl.DataFrame({code: (x[:, i] * unit[i]).astype(np.float32) for i, code in enumerate(codes)})
    catalogue = pl.DataFrame(
        {
            "code": codes,
            "title": codes,
            "neutral": [0.0] * m,
            "low_limit": -authority * unit,
            "high_limit": authority * unit,
            "resolution": resolution * unit,
            "fault_low": ["P1000"] * m,
            "fault_high": ["P1001"] * m,
            "learn_hours": [learn_hours or None] * m,
        }
    )
    newest = np.searchsorted(vehicle, np.arange(len(family_of)), "right") - 1
    vehicles = pl.DataFrame(
        {
            "vehicle_id": names.tolist(),
            "engine_family": [f"family-{f}" for f in family_of],
            "depot": [f"depot-{d}" for d in depot[newest]],
            "duty": [f"duty-{d}" for d in duty[newest]],
        }
    )
    frames = {
        **tables,
        "corrections": _filled(catalogue, tables["corrections"]),
        "vehicles": _filled(vehicles, tables["vehicles"]),
        "snapshots": pl.concat([_filled(clocks, tables["snapshots"]), values], how="horizontal"),
    }
    del frames["readings"]
    places = clocks.with_columns(
        depot=pl.Series([f"depot-{d}" for d in depot]), duty=pl.Series([f"duty-{d}" for d in duty])
    )
    readings = places.join(vehicles.drop("depot", "duty"), on="vehicle_id", maintain_order="left").select(
        "vehicle_id", "read_at", "engine_family", "depot", "duty",
        hours="ignition_hours", hours_confidence=pl.lit(1.0), km="odometer_km",
        calibration="calibration", module=pl.lit(None, pl.String), power_lost=pl.lit(value=False),
        faults_known=pl.lit(value=False),
    )  # fmt: skip
    history = History(
        readings=readings, epochs=_epochs(keys, events), fault_events=pl.DataFrame(), notices=pl.DataFrame()
    )
    return Evidence(as_of=read_at.max(), **frames), history


def _epochs(keys: pl.DataFrame, events: dict[str, np.ndarray]) -> pl.DataFrame:
    """First readings, and every event that set learned values back, as work rows would tell of it."""
    first = keys.group_by("vehicle_id", maintain_order=True).first()
    parts = [_epoch(first, "first_seen", recorded=False)]
    reasons = {"reset": "reset", "module": "module", "repair": "replaced"}
    parts += [_epoch(keys.filter(rows), reasons[name], recorded=True) for name, rows in events.items() if rows.any()]
    return pl.concat(parts).unique(["vehicle_id", "started_at"], keep="first", maintain_order=True)


def _epoch(keys: pl.DataFrame, reason: str, *, recorded: bool) -> pl.DataFrame:
    return keys.select(
        "vehicle_id",
        pl.lit(None, pl.String).alias("correction"),
        pl.col("read_at").alias("started_at"),
        pl.col("read_at").alias("first_read_at"),
        pl.lit(reason).alias("reason"),
        pl.lit(recorded).alias("recorded"),
    )


def _filled(frame: pl.DataFrame, like: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(
        pl.lit(None, dtype).alias(name) for name, dtype in like.schema.items() if name not in frame.columns
    ).select(pl.col(name).cast(dtype) for name, dtype in like.schema.items())
