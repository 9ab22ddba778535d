"""Readings as arrays, one panel per engine family: evidence and history in, panels out; no computing of bands."""

import numba
import numpy as np
import polars as pl

from pipelines.bands.fitted import fitted_codes
from pipelines.handover import Bools, Evidence, Float32s, Float64s, History, Int32s, Int64s, Panel
from pipelines.threads import in_threads

KEY = ["vehicle_id", "read_at"]
UNKNOWN_FAMILY = "unknown"  # vehicles whose family nobody gave are compared among themselves


def panels(evidence: Evidence, history: History) -> tuple[Panel, ...]:
    """One panel per engine family with readings, families in alphabetical order.

    A panel holds the corrections that are fitted to the family and that at least one of its vehicles ever read.
    """
    readings = history.readings.with_columns(pl.col("engine_family").fill_null(UNKNOWN_FAMILY)).sort(KEY)
    place = _places(readings, evidence.snapshots)
    read = _read_codes(readings["engine_family"], place, evidence.snapshots, evidence.corrections["code"].to_list())
    columns = {
        code: evidence.snapshots[code].cast(pl.Float32).fill_null(np.nan).to_numpy()
        for code in set().union(*read.values())
    }

    def of(family: str) -> Panel:
        mine = readings["engine_family"] == family
        rows, where = readings.filter(mine), place[mine.to_numpy()]
        return _panel(family, rows, where, read[family], columns, evidence, history.epochs)

    return tuple(in_threads(of, sorted(read)))


def read_codes(evidence: Evidence, history: History, among: list[str]) -> dict[str, list[str]]:
    """For each family with readings, those of some codes that any of its vehicles ever read."""
    families = history.readings["engine_family"].fill_null(UNKNOWN_FAMILY)
    return _read_codes(families, _places(history.readings, evidence.snapshots), evidence.snapshots, among)


def _read_codes(family: pl.Series, place: Int64s, snapshots: pl.DataFrame, among: list[str]) -> dict[str, list[str]]:
    index, families = _indexed(family)
    of_snapshot = np.full(snapshots.height, len(families))
    of_snapshot[place[place >= 0]] = index[place >= 0]
    found: dict[str, list[str]] = {name: [] for name in families}
    for code in among:
        if code in snapshots.columns:
            known = of_snapshot[snapshots[code].is_not_null().to_numpy()]
            for f in np.flatnonzero(np.bincount(known, minlength=len(families))[: len(families)]):
                found[families[f]].append(code)
    return found


def _places(readings: pl.DataFrame, snapshots: pl.DataFrame) -> Int64s:
    """[R] row of the snapshot of each reading; -1: there is none."""
    numbered = snapshots.select(*KEY, pl.int_range(pl.len(), dtype=pl.Int64).alias("place"))
    joined = readings.select(KEY).join(numbered, on=KEY, how="left", maintain_order="left")
    return joined["place"].fill_null(-1).to_numpy()


def _panel(  # noqa: PLR0917
    family: str,
    rows: pl.DataFrame,
    place: Int64s,
    read: list[str],
    columns: dict[str, Float32s],
    evidence: Evidence,
    epochs: pl.DataFrame,
) -> Panel:
    fitted = set(fitted_codes(evidence.corrections, evidence.families, family))
    vehicles = rows["vehicle_id"].rle().struct.unnest()
    codes = [code for code in read if code in fitted]
    row_start = np.append(0, np.cumsum(vehicles["len"].to_numpy())).astype(np.int64)
    depot, depots = _indexed(rows["depot"].fill_null(""))
    calibration, calibrations = _indexed(rows["calibration"].fill_null(""))
    catalogue = pl.DataFrame({"code": codes}, schema={"code": pl.String}).join(
        evidence.corrections, on="code", how="left", maintain_order="left"
    )
    return Panel(
        family=family,
        vehicles=tuple(vehicles["value"]),
        codes=tuple(codes),
        row_start=row_start,
        read_at=rows["read_at"].dt.replace_time_zone(None).to_numpy(),
        hours=_floats(rows["hours"]),
        km=_floats(rows["km"]),
        depot=depot,
        depots=depots,
        calibration=calibration,
        calibrations=calibrations,
        values=_values([columns[code] for code in codes], place),
        epoch=_epochs(rows, calibration, row_start, codes, epochs),
        low_limit=_floats(catalogue["low_limit"]),
        high_limit=_floats(catalogue["high_limit"]),
        neutral=_floats(catalogue["neutral"]),
        resolution=_floats(catalogue["resolution"].fill_null(0.0)),
        can_fault_low=_has_code(catalogue["fault_low"]),
        can_fault_high=_has_code(catalogue["fault_high"]),
    )


def _values(columns: list[Float32s], place: Int64s) -> Float32s:
    """[R, C], stored correction by correction, so that each one's readings lie side by side."""
    array = np.empty((len(columns), len(place)), dtype=np.float32)
    for column, row in zip(columns, array, strict=True):
        _take(column, place, row)
    return array.T


@numba.njit(cache=True, nogil=True)
def _take(column, place, out):  # type: ignore[no-untyped-def]
    """Fill `out` [R] with the values at `place`; NaN where there is none, or it is not finite."""
    for r in range(len(place)):
        out[r] = column[place[r]] if place[r] >= 0 and np.isfinite(column[place[r]]) else np.nan


def _epochs(
    rows: pl.DataFrame, calibration: Int32s, row_start: Int64s, codes: list[str], epochs: pl.DataFrame
) -> Int32s:
    """[R, C]: a series' epoch counts up where history starts one, and where the calibration changes."""
    every = np.zeros(rows.height, dtype=bool)
    every[1:] = calibration[1:] != calibration[:-1]
    starts = np.zeros((len(codes), rows.height), dtype=bool)
    place = {code: index for index, code in enumerate(codes)}
    keyed = rows.select("vehicle_id", pl.col("read_at").alias("first_read_at")).with_row_index("row")
    found = epochs.join(keyed, on=["vehicle_id", "first_read_at"])
    whole = found.filter(pl.col("correction").is_null())["row"].to_numpy()
    every[whole] = True
    single = found.filter(pl.col("correction").is_in(codes))
    starts[single["correction"].replace_strict(place, return_dtype=pl.Int64).to_numpy(), single["row"].to_numpy()] = (
        True
    )
    counted: Int32s = _counted(starts, every, row_start)
    return counted.T


@numba.njit(cache=True, nogil=True)
def _counted(starts, every, row_start):  # type: ignore[no-untyped-def]
    """[C, R] how many of a series' rows behind its vehicle's first start something, up to each row."""
    out = np.empty(starts.shape, dtype=np.int32)
    for c in range(len(starts)):
        for v in range(len(row_start) - 1):
            count = 0
            for r in range(row_start[v], row_start[v + 1]):
                count += r > row_start[v] and (every[r] or starts[c, r])
                out[c, r] = count
    return out


def _indexed(words: pl.Series) -> tuple[Int32s, tuple[str, ...]]:
    names = words.unique().sort()
    return words.cast(pl.Enum(names)).to_physical().cast(pl.Int32).to_numpy(), tuple(names)


def _floats(column: pl.Series) -> Float64s:
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy().astype(np.float64)


def _has_code(column: pl.Series) -> Bools:
    return (column.cast(pl.String).fill_null("").str.strip_chars() != "").to_numpy()
