"""The contract's `correction_state` as of now: what drift found in, one row per vehicle and correction out."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipelines.bands.fitted import fitted_codes
from pipelines.bands.panel import UNKNOWN_FAMILY, read_codes
from pipelines.catalogue.tables import published_tables
from pipelines.drift.episode import Episodes
from pipelines.drift.standstill import stands_still
from pipelines.handover import Bools, Evidence, FamilyDrift, Float32s, Float64s, History, Int64s, Panel
from pipelines.in_service import in_service

BAND_SIGMAS = 3.0  # half width of the normal band, in sigmas of healthy noise
MOVING_SIGMAS = 0.25  # sigmas per 30 days from which an alarm is called drifting
NOT_READ_AFTER = 4  # a correction missing from this many of the vehicle's newest snapshots is not read


def correction_states(
    families: Sequence[tuple[Panel, FamilyDrift, Episodes]], *, evidence: Evidence, history: History
) -> pl.DataFrame:
    """`correction_state`: every vehicle in service, every correction that its family ever read.

    Args:
        families: Each one's readings, what drift computed at the newest of them, and its standing alarms.
        evidence: What was known.
        history: Clocks.
    """
    schema = published_tables()["correction_state"].schema
    wanted = _wanted(evidence, history)
    tables = [_family_states(*family) for family in families]
    known = pl.concat(tables) if tables else pl.DataFrame(schema={**schema})
    states = wanted.join(known, on=["vehicle_id", "correction"], how="left").with_columns(
        state=pl.when(~pl.col("is_fitted")).then(pl.lit("not_fitted")).otherwise(pl.col("state").fill_null("not_read")),
        alarm=pl.col("alarm").fill_null(value=False),
    )
    return states.select(pl.col(name).cast(dtype) for name, dtype in schema.items()).sort("vehicle_id", "correction")


def _wanted(evidence: Evidence, history: History) -> pl.DataFrame:
    """`vehicle_id, correction, is_fitted`: the rows of the table."""
    serving = in_service(evidence.vehicles, evidence.as_of)
    vehicles = serving.select("vehicle_id", pl.col("engine_family").fill_null(UNKNOWN_FAMILY))
    members = history.readings.select("vehicle_id", pl.col("engine_family").fill_null(UNKNOWN_FAMILY)).unique()
    rows = [pl.DataFrame(schema={"engine_family": pl.String, "correction": pl.String, "is_fitted": pl.Boolean})]
    for family in sorted(members["engine_family"].unique().to_list()):
        read = read_codes(evidence, members.filter(pl.col("engine_family") == family)["vehicle_id"])
        fitted = set(fitted_codes(evidence.corrections, evidence.families, family))
        rows.append(
            pl.DataFrame(
                {
                    "engine_family": [family] * len(read),
                    "correction": read,
                    "is_fitted": [code in fitted for code in read],
                },
                schema=rows[0].schema,
            )
        )
    return vehicles.join(pl.concat(rows), on="engine_family").drop("engine_family")


def _family_states(panel: Panel, drift: FamilyDrift, found: Episodes) -> pl.DataFrame:
    last = drift.panel.row_start[1:] - 1
    values = panel.values
    newest, read_row = _newest(values, panel.row_start)
    deviation, z = drift.deviation[last], drift.z[last]
    expected = drift.expected[last]
    margin = BAND_SIGMAS * drift.sigma
    alarm = drift.alarm[last]
    moving = np.abs(found.rate.T) >= MOVING_SIGMAS * drift.sigma
    state = np.where(alarm, np.where(moving, "drifting", "outside"), "steady").astype(object)
    state[drift.relearning[last] & ~alarm] = "relearning"
    state[stands_still(panel.values.T, panel.row_start, panel.hours) & ~alarm] = "not_learning"
    state[(read_row < 0) | _missing_lately(read_row, panel.row_start)] = "not_read"
    shape = deviation.shape
    vehicles, codes = np.array(panel.vehicles, dtype=object), np.array(panel.codes, dtype=object)
    frame = pl.DataFrame(
        {
            "vehicle_id": np.repeat(vehicles, shape[1]).tolist(),
            "correction": np.tile(codes, shape[0]).tolist(),
            "state": state.ravel().tolist(),
            "value": newest.astype(np.float64).ravel(),
            "expected": expected.astype(np.float64).ravel(),
            "band_low": (expected - margin).astype(np.float64).ravel(),
            "band_high": (expected + margin).astype(np.float64).ravel(),
            "deviation": deviation.astype(np.float64).ravel(),
            "z": z.astype(np.float64).ravel(),
            "alarm": alarm.ravel(),
            "alarm_at": _times(found.alarm_at),
            "onset_at": _times(found.onset_at),
            "onset_low": _times(found.onset_low),
            "onset_high": _times(found.onset_high),
            "rate_per_30d": found.rate.T.ravel(),
            "rate_per_1000km": found.rate_per_1000km.T.ravel(),
            "leeway_pct": drift.leeway[last].astype(np.float64).ravel(),
            "limit_at_p10": _times(found.limit_p10),
            "limit_at_p50": _times(found.limit_p50),
            "limit_at_p90": _times(found.limit_p90),
        }
    )
    return frame.with_columns(
        pl.col(pl.Float64).fill_nan(None), pl.col(pl.Datetime).dt.cast_time_unit("us").dt.replace_time_zone("UTC")
    )


def _times(day: Float64s) -> np.ndarray:
    """[V * C] times of days since 1970 [C, V]; NaN: none."""
    known = np.isfinite(day.T.ravel())
    microseconds = np.where(known, np.round(np.where(known, day.T.ravel(), 0) * 86_400e6), 0).astype(np.int64)
    times = microseconds.astype("datetime64[us]")
    times[~known] = np.datetime64("NaT")
    return times


def _newest(values: Float32s, row_start: Int64s) -> tuple[Float64s, Int64s]:
    """[V, C] newest reading of each series, and its row (-1: never read)."""
    vehicles, corrections = len(row_start) - 1, values.shape[1]
    newest = np.full((vehicles, corrections), np.nan)
    rows = np.full((vehicles, corrections), -1, dtype=np.int64)
    for c in range(corrections):
        read = np.flatnonzero(np.isfinite(values[:, c]))
        last = np.searchsorted(read, row_start[1:]) - 1
        row = read[np.maximum(last, 0)] if len(read) else np.zeros(vehicles, dtype=np.int64)
        mine = (last >= 0) & (row >= row_start[:-1])
        newest[mine, c], rows[mine, c] = values[row[mine], c], row[mine]
    return newest, rows


def _missing_lately(read_row: Int64s, row_start: Int64s) -> Bools:
    """[V, C] missing from the vehicle's newest snapshots."""
    return row_start[1:, None] - 1 - read_row >= NOT_READ_AFTER
