"""Readings as arrays, one panel per engine family: evidence and history in, panels out; no computing of bands."""

import numba
import numpy as np
import polars as pl

from pipelines.bands.coded import coded_rows
from pipelines.bands.equipment import fitted_codes
from pipelines.bands.worked import worked_rows
from pipelines.handover import Bools, Evidence, Float32s, Float64s, History, Int32s, Int64s, Panel
from pipelines.threads import in_threads

KEY = ["vehicle_id", "read_at"]
FAMILY = " engine family"  # beside the corrections' codes, which are words
UNKNOWN_FAMILY = "unknown"  # vehicles whose family nobody gave are compared among themselves


def panels(evidence: Evidence, history: History) -> tuple[Panel, ...]:
    """One panel per engine family with readings, families in alphabetical order.

    A panel holds the corrections that are fitted to the family and that at least one of its vehicles ever read.

    Raises:
        ValueError: the history's readings are not the evidence's snapshots, in their order.
    """
    readings, snapshots = history.readings, evidence.snapshots
    if not readings.select(KEY).equals(snapshots.select(KEY)):
        raise ValueError("history and evidence are of different readings")
    of_row = _families(history)
    read = read_codes(evidence, history, evidence.corrections["code"].to_list())
    unread = np.full(snapshots.height, np.nan, dtype=np.float32)  # by these vehicles, by others of their family it was
    columns = {
        code: snapshots[code].cast(pl.Float32).fill_null(np.nan).to_numpy() if code in snapshots.columns else unread
        for code in set().union(*read.values())
    }

    def of(family: str) -> Panel:
        of_family = of_row == family
        return _panel(
            family, readings.filter(of_family), np.flatnonzero(of_family.to_numpy()), read[family], columns, evidence,
            history,
        )  # fmt: skip

    return tuple(of(family) for family in sorted(read))


def read_codes(evidence: Evidence, history: History, among: list[str]) -> dict[str, list[str]]:
    """For each family with readings, those of some codes that any of its vehicles ever read."""
    if evidence.whole:
        here, ever = _families(history).unique().sort(), evidence.whole.read
        return {family: [code for code in among if code in ever.get(family, ())] for family in here}
    known = [code for code in among if code in evidence.snapshots.columns]
    of_row = _families(history).alias(FAMILY)
    counted = evidence.snapshots.select(of_row, *known).group_by(FAMILY).agg(pl.col(known).count() > 0)
    return {row.pop(FAMILY): [code for code, read in row.items() if read] for row in counted.to_dicts()}


def _families(history: History) -> pl.Series:
    return history.readings["engine_family"].fill_null(UNKNOWN_FAMILY)


def _panel(  # noqa: PLR0917
    family: str,
    rows: pl.DataFrame,
    place: Int64s,
    read: list[str],
    columns: dict[str, Float32s],
    evidence: Evidence,
    history: History,
) -> Panel:
    fitted = set(fitted_codes(evidence.corrections, evidence.families, family))
    vehicles = rows["vehicle_id"].rle().struct.unnest()
    codes = [code for code in read if code in fitted]
    row_start = np.append(0, np.cumsum(vehicles["len"].to_numpy())).astype(np.int64)
    depot, depots = _indexed(rows["depot"].fill_null(""))
    duty, duties = _indexed(rows["duty"].fill_null(""))
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
        duty=duty,
        duties=duties,
        calibration=calibration,
        calibrations=calibrations,
        values=_values([columns[code] for code in codes], place),
        epoch=_epochs(rows, (calibration, depot, duty), row_start, codes, history.epochs),
        low_limit=_floats(catalogue["low_limit"]),
        high_limit=_floats(catalogue["high_limit"]),
        neutral=_floats(catalogue["neutral"]),
        resolution=_floats(catalogue["resolution"].fill_null(0.0)),
        can_fault_low=_has_code(catalogue["fault_low"]),
        can_fault_high=_has_code(catalogue["fault_high"]),
        coded=coded_rows(rows, catalogue, history.fault_events),
        worked=worked_rows(rows, tuple(codes), family, evidence),
    )


def _values(columns: list[Float32s], place: Int64s) -> Float32s:
    """[R, C], stored correction by correction, so that each one's readings lie side by side."""
    array = np.empty((len(columns), len(place)), dtype=np.float32)
    in_threads(lambda c: _take(columns[c], place, array[c]), range(len(columns)))
    return array.T


@numba.njit(cache=True, nogil=True)
def _take(column, place, out):  # type: ignore[no-untyped-def]
    """Fill `out` [R] with the values at `place`; NaN where one is not finite."""
    for r in range(len(place)):
        value = column[place[r]]
        out[r] = value if np.isfinite(value) else np.nan


def _epochs(
    rows: pl.DataFrame, anew: tuple[Int32s, ...], row_start: Int64s, codes: list[str], epochs: pl.DataFrame
) -> Int32s:
    """[R, C]: a series' epoch counts up where history starts one, and where calibration, depot or duty changes."""
    keyed = rows.select("vehicle_id", pl.col("read_at").alias("first_read_at")).with_row_index("row")
    started = epochs.join(keyed, on=["vehicle_id", "first_read_at"])
    every = np.zeros(rows.height, dtype=np.bool_)
    for index in anew:
        every[1:] |= index[1:] != index[:-1]
    every[started.filter(pl.col("correction").is_null())["row"].to_numpy()] = True
    every[row_start[:-1]] = False
    before = np.append(0, np.cumsum(every))
    of_all = before[1:] - np.repeat(before[row_start[:-1]], np.diff(row_start))
    place = pl.DataFrame(
        {"correction": codes, "code": np.arange(len(codes))}, schema_overrides={"correction": pl.String}
    )
    single = started.join(place, on="correction").select("code", "row").unique()
    code, row = single["code"].to_numpy(), single["row"].to_numpy().astype(np.int64)
    counted = np.empty((len(codes), rows.height), dtype=np.int32)
    in_threads(lambda c: np.copyto(counted[c], of_all), range(len(codes)))
    _count_single(counted, code[~every[row]], row[~every[row]], row_start)
    return counted.T


@numba.njit(cache=True, nogil=True)
def _count_single(counted, code, row, row_start):  # type: ignore[no-untyped-def]
    """Add epochs that begin at one row of one correction, unless it is the vehicle's first."""
    for i in range(len(row)):
        v = np.searchsorted(row_start, row[i], side="right") - 1
        if row[i] > row_start[v]:
            for r in range(row[i], row_start[v + 1]):
                counted[code[i], r] += 1


def _indexed(words: pl.Series) -> tuple[Int32s, tuple[str, ...]]:
    names = words.unique().sort()
    return words.cast(pl.Enum(names)).to_physical().cast(pl.Int32).to_numpy(), tuple(names)


def _floats(column: pl.Series) -> Float64s:
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy().astype(np.float64)


def _has_code(column: pl.Series) -> Bools:
    return (column.cast(pl.String).fill_null("").str.strip_chars() != "").to_numpy()
