"""When the engine model's defects meet their limits, and what standing alarms of five to ten weeks said of it."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from drift_dates import LINE_READINGS, Told, limit_lines, line_dates
from drift_simulated import Simulated, simulated
from drift_table import Line

from pipelines.bands.panel import panels
from pipelines.drift.stage import straying
from pipelines.history.reconstruct import reconstruct
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from synthetic_fleet.block import AHEAD

AGE_DAYS = (42, 70)
FIRST_DAY, LEFT_DAYS = 280, 14
LEAST_SIGMAS = 1.0
DAY = 86_400.0


def engine_date_lines(cache: Path, *, vehicles: int, weeks: int, seeds: range, every_days: int) -> Iterator[Line]:
    """Limit dates of alarms on corrections that truly stray, where the noise-free level has not met its limit yet."""
    told: list[Told] = []
    for seed in seeds:
        fleet = simulated(cache, vehicles=vehicles, weeks=weeks, seed=seed, defects=True)
        begin = fleet.evidence.snapshots["read_at"].min()
        for day in range(FIRST_DAY, weeks * 7 - LEFT_DAYS, every_days):
            told += _told(fleet, begin + timedelta(days=day))
    yield from limit_lines("engine model's defects", told)


def _told(fleet: Simulated, as_of: datetime) -> Iterator[Told]:
    evidence = read_evidence(Store(fleet.folder / "store"), as_of=as_of)
    history = reconstruct(evidence)
    drift = straying(panels(evidence, history), evidence=evidence, history=history, settings=Settings())
    low, high = (pl.lit(as_of - timedelta(days=days)) for days in AGE_DAYS[::-1])
    catalogue = evidence.corrections.select("low_limit", "high_limit", "fault_low", "fault_high", correction="code")
    alarms = (
        drift.correction_state.filter("alarm", pl.col("alarm_at").is_between(low, high))
        .join(_true_sigmas(fleet, as_of), on=["vehicle_id", "correction"])
        .join(_crossings(fleet, as_of), on=["vehicle_id", "correction"], how="left")
        .join(catalogue, on="correction", how="left")
        .filter(~pl.col("met").fill_null(value=False))
    )
    readings = evidence.snapshots.partition_by("vehicle_id", as_dict=True)
    for row in alarms.sort("vehicle_id", "correction").iter_rows(named=True):
        read = readings[row["vehicle_id"],].select("read_at", value=row["correction"]).drop_nulls().tail(LINE_READINGS)
        if read.height < LINE_READINGS:
            continue
        line = line_dates(
            read["read_at"].dt.epoch("us").to_numpy() / 1e6 / DAY, read["value"].to_numpy().astype(float),
            row["low_limit"] if row["fault_low"] else -np.inf, row["high_limit"] if row["fault_high"] else np.inf,
        )  # fmt: skip
        yield Told(
            now=as_of.timestamp() / DAY,
            onset=(np.nan, np.nan, np.nan),
            dates=tuple(_days(row[name]) for name in ("limit_at_p10", "limit_at_p50", "limit_at_p90")),
            true_onset=np.nan,
            true_limit=_days(row["limit_at"]),
            line=line,
            farthest=float(AHEAD),
        )


def _days(at: datetime | None) -> float:
    return np.inf if at is None else at.timestamp() / DAY


def _true_sigmas(fleet: Simulated, as_of: datetime) -> pl.DataFrame:
    """`vehicle_id, correction` that truly stray in the week of `as_of`."""
    week = pl.col("week_end").is_between(pl.lit(as_of), pl.lit(as_of + timedelta(days=7)), closed="right")
    strays = fleet.truth("deviation").filter(week, pl.col("in_sigma").abs() >= LEAST_SIGMAS)
    return strays.select("vehicle_id", "correction").unique()


def _crossings(fleet: Simulated, as_of: datetime) -> pl.DataFrame:
    """`vehicle_id, correction, limit_at, met`: first crossing to come had no work been done; met: it was met before.

    A limit met before counts where it was the same defect's: not more than the farthest truth ago.
    """
    limits = fleet.truth("limits").with_columns(pl.col("limit_at", "but_for_work_at").cast(pl.Datetime("us", "UTC")))
    now = pl.lit(as_of)
    still = pl.col("but_for_work_at").is_null() | (pl.col("but_for_work_at") > now)
    later = limits.filter(still, pl.col("limit_at") > now).group_by("vehicle_id", "correction")
    before = limits.filter(
        pl.col("but_for_work_at").is_null(), pl.col("limit_at").is_between(now - timedelta(days=90), now)
    )
    met = before.select("vehicle_id", "correction").unique().with_columns(met=pl.lit(value=True))
    return later.agg(pl.col("limit_at").min()).join(met, on=["vehicle_id", "correction"], how="full", coalesce=True)
