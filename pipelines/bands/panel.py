"""Readings as arrays, one panel per engine family: evidence and history in, panels out; no computing of bands."""

import numpy as np
import polars as pl

from pipelines.bands.fitted import fitted_codes
from pipelines.handover import Bools, Evidence, Float32s, Float64s, History, Int32s, Int64s, Panel

UNKNOWN_FAMILY = "unknown"  # vehicles whose family nobody gave are compared among themselves


def panels(evidence: Evidence, history: History) -> tuple[Panel, ...]:
    """One panel per engine family with readings, families in alphabetical order.

    A panel holds the corrections that are fitted to the family and that at least one of its vehicles ever read.
    """
    readings = history.readings.with_columns(pl.col("engine_family").fill_null(UNKNOWN_FAMILY))
    families = sorted(readings["engine_family"].unique().to_list())
    return tuple(
        _panel(family, readings.filter(pl.col("engine_family") == family), evidence, history.epochs)
        for family in families
    )


def read_codes(evidence: Evidence, vehicle_ids: pl.Series) -> list[str]:
    """Codes of the catalogue that any of these vehicles ever read, in the catalogue's order."""
    present = [code for code in evidence.corrections["code"] if code in evidence.snapshots.columns]
    rows = evidence.snapshots.filter(pl.col("vehicle_id").is_in(vehicle_ids.implode()))
    if not present or rows.is_empty():
        return []
    counts = rows.select(pl.col(code).is_not_null().any() for code in present).row(0)
    return [code for code, read in zip(present, counts, strict=True) if read]


def _panel(family: str, rows: pl.DataFrame, evidence: Evidence, epochs: pl.DataFrame) -> Panel:
    rows = rows.sort("vehicle_id", "read_at")
    fitted = set(fitted_codes(evidence.corrections, evidence.families, family))
    vehicles = rows["vehicle_id"].unique().sort()
    codes = [code for code in read_codes(evidence, vehicles) if code in fitted]
    row_start = np.searchsorted(rows["vehicle_id"].to_numpy(), np.append(vehicles.to_numpy(), "\U0010ffff"))
    values = (
        rows.select("vehicle_id", "read_at")
        .join(
            evidence.snapshots.select("vehicle_id", "read_at", *codes),
            on=["vehicle_id", "read_at"],
            how="left",
            maintain_order="left",
        )
        .select(codes)
    )
    depot, depots = _indexed(rows["depot"].fill_null(""))
    calibration, calibrations = _indexed(rows["calibration"].fill_null(""))
    catalogue = pl.DataFrame({"code": codes}, schema={"code": pl.String}).join(
        evidence.corrections, on="code", how="left", maintain_order="left"
    )
    return Panel(
        family=family,
        vehicles=tuple(vehicles),
        codes=tuple(codes),
        row_start=row_start.astype(np.int64),
        read_at=rows["read_at"].dt.replace_time_zone(None).to_numpy(),
        hours=_floats(rows["hours"]),
        km=_floats(rows["km"]),
        depot=depot,
        depots=depots,
        calibration=calibration,
        calibrations=calibrations,
        values=_columns(values),
        epoch=_epochs(rows, calibration, row_start, codes, epochs),
        low_limit=_floats(catalogue["low_limit"]),
        high_limit=_floats(catalogue["high_limit"]),
        neutral=_floats(catalogue["neutral"]),
        resolution=_floats(catalogue["resolution"].fill_null(0.0)),
        can_fault_low=_has_code(catalogue["fault_low"]),
        can_fault_high=_has_code(catalogue["fault_high"]),
    )


def _columns(values: pl.DataFrame) -> Float32s:
    """[R, C], stored correction by correction, so that each one's readings lie side by side."""
    array = np.empty((values.width, values.height), dtype=np.float32)
    for index, column in enumerate(values):
        array[index] = column.cast(pl.Float32).fill_null(np.nan).to_numpy()
    array[~np.isfinite(array)] = np.nan
    return array.T


def _epochs(
    rows: pl.DataFrame, calibration: Int32s, row_start: Int64s, codes: list[str], epochs: pl.DataFrame
) -> Int32s:
    """[R, C]: a series' epoch counts up where history starts one, and where the calibration changes."""
    new = np.zeros(rows.height, dtype=bool)
    new[1:] = calibration[1:] != calibration[:-1]
    first = np.zeros(rows.height, dtype=bool)
    first[row_start[:-1]] = True
    starts = np.zeros((len(codes), rows.height), dtype=bool)
    starts |= new & ~first
    place = {code: index for index, code in enumerate(codes)}
    keyed = rows.select("vehicle_id", pl.col("read_at").alias("first_read_at")).with_row_index("row")
    found = epochs.join(keyed, on=["vehicle_id", "first_read_at"])
    whole = found.filter(pl.col("correction").is_null())["row"].to_numpy()
    starts[:, whole] = True
    single = found.filter(pl.col("correction").is_in(codes))
    starts[single["correction"].replace_strict(place, return_dtype=pl.Int64).to_numpy(), single["row"].to_numpy()] = (
        True
    )
    starts[:, first] = False
    counted = np.cumsum(starts, axis=1, dtype=np.int32)
    lengths = np.diff(row_start)
    counted -= np.repeat(counted[:, row_start[:-1]], lengths, axis=1)
    return counted.T


def _indexed(words: pl.Series) -> tuple[Int32s, tuple[str, ...]]:
    names = words.unique().sort()
    return np.searchsorted(names.to_numpy(), words.to_numpy()).astype(np.int32), tuple(names)


def _floats(column: pl.Series) -> Float64s:
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy().astype(np.float64)


def _has_code(column: pl.Series) -> Bools:
    return (column.cast(pl.String).fill_null("").str.strip_chars() != "").to_numpy()
