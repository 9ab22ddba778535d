"""The contract's `correction_state` as of now: what drift found in, one row per vehicle and correction out."""

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np
import polars as pl

from pipelines.bands.equipment import fitted_codes
from pipelines.bands.panel import UNKNOWN_FAMILY, read_codes
from pipelines.catalogue.tables import published_tables
from pipelines.drift.alarm_rules import BAND_SIGMAS
from pipelines.drift.onset_posterior import Episodes
from pipelines.handover import Bools, Evidence, FamilyDrift, Float64s, HeldReadings, History, Int64s, Panel
from pipelines.in_service import in_service
from pipelines.standstill.rule import RARE_NOW
from pipelines.standstill.stuck import Vehicles, readiness, stuck_runs
from pipelines.threads import in_threads

MOVING_SIGMAS = 0.25  # sigmas per 30 days from which an alarm is called drifting; judgement
STATES = ("steady", "drifting", "outside", "relearning", "not_learning", "not_read")  # of what is fitted
CELL = "cell"  # see `_Cells`
NOT_READ_AFTER = 4  # a correction missing from this many of the vehicle's newest snapshots is not read; judgement


@dataclass(frozen=True, kw_only=True)
class Newest:
    """One family as of now.

    panel: Its readings, whole. drift: What was computed at the newest of them. alarms: Those that stand. changed:
    [C, V] of `CHANGED`. sigma: [C, V] sd of healthy noise at each vehicle's newest reading. repeats: [C, 2] how readily
    values repeat, as `repeats_of` says.
    """

    panel: Panel
    drift: FamilyDrift
    alarms: Episodes
    changed: np.ndarray
    sigma: Float64s
    repeats: Float64s


def correction_states(families: Sequence[Newest], *, evidence: Evidence, history: History) -> pl.DataFrame:
    """`correction_state`: every vehicle in service, every correction that its family ever read.

    Args:
        families: What is known of each.
        evidence: What was known.
        history: Clocks.
    """
    schema = published_tables()["correction_state"].schema
    vehicles = in_service(evidence.vehicles, evidence.as_of)
    fitted = _fitted([family.panel for family in families], evidence, history)
    codes = sorted(set().union(*fitted.values()))
    cells = _Cells(vehicles=vehicles["vehicle_id"], codes=pl.Series(codes, dtype=pl.String))
    wanted = _wanted(vehicles, fitted, cells)
    tables = in_threads(lambda family: _family_states(family, cells, evidence.held), families)
    known = pl.concat(tables) if tables else pl.DataFrame(schema={**schema, CELL: pl.Int64})
    states = wanted.join(known, on=CELL, how="left", maintain_order="left").with_columns(
        vehicle_id=cells.vehicles.gather(wanted[CELL] // max(len(codes), 1)),
        correction=cells.codes.gather(wanted[CELL] % max(len(codes), 1)),
        state=pl.when(~pl.col("is_fitted")).then(pl.lit("not_fitted")).otherwise(pl.col("state").fill_null("not_read")),
        alarm=pl.col("alarm").fill_null(value=False),
        held=pl.Series(_is_held(evidence.held, cells)[wanted[CELL]]),
    )
    return states.select(pl.col(name).cast(dtype) for name, dtype in schema.items())


@dataclass(frozen=True, kw_only=True)
class _Cells:
    """Vehicles in service by corrections, both sorted; a series' cell is its place in the table of all."""

    vehicles: pl.Series
    codes: pl.Series

    def of(self, vehicles: Sequence[str], codes: Sequence[str]) -> Int64s:
        """[vehicles, codes]; below 0: of a vehicle that is not in service, or a correction that no one has."""
        place = _places(vehicles, self.vehicles)[:, None], _places(codes, self.codes)[None, :]
        return np.where((place[0] >= 0) & (place[1] >= 0), place[0] * len(self.codes) + place[1], -1)


def _places(words: Sequence[str], among: pl.Series) -> Int64s:
    place = {word: index for index, word in enumerate(among)}
    return np.array([place.get(word, -1) for word in words], dtype=np.int64)


def _fitted(panels: Sequence[Panel], evidence: Evidence, history: History) -> dict[str, dict[str, bool]]:
    """Of each family with readings: the corrections that it ever read, and whether it has them."""
    families = history.readings["engine_family"].fill_null(UNKNOWN_FAMILY).unique()
    lacking = {
        family: set(evidence.corrections["code"]) - set(fitted_codes(evidence.corrections, evidence.families, family))
        for family in families
    }
    asked = sorted(set().union(*lacking.values()))
    read = read_codes(evidence, history, asked) if asked else {}
    fitted = {panel.family: dict.fromkeys(panel.codes, True) for panel in panels}
    for family, codes in read.items():
        fitted.setdefault(family, {}).update((code, False) for code in codes if code in lacking[family])
    return fitted


def _wanted(vehicles: pl.DataFrame, fitted: dict[str, dict[str, bool]], cells: _Cells) -> pl.DataFrame:
    """The rows of the table: `CELL` in order, is_fitted."""
    family = vehicles["engine_family"].fill_null(UNKNOWN_FAMILY)
    parts = [pl.DataFrame(schema={CELL: pl.Int64, "is_fitted": pl.Boolean})]
    for name, codes in fitted.items():
        cell = cells.of(vehicles.filter(family == name)["vehicle_id"].to_list(), list(codes))
        has = np.broadcast_to(np.array(list(codes.values()), dtype=np.bool_), cell.shape)
        parts.append(pl.DataFrame({CELL: cell.ravel(), "is_fitted": has.ravel()}))
    return pl.concat(parts).sort(CELL)


def _is_held(held: HeldReadings, cells: _Cells) -> Bools:
    """By `CELL`: whether the vehicle's newest reading of the correction is held."""
    is_held = np.zeros((len(cells.vehicles), len(cells.codes)), np.bool_)
    every = held.newest["correction"].is_null()
    vehicle = _places(held.newest["vehicle_id"].to_list(), cells.vehicles)
    code = _places(held.newest["correction"].fill_null("").to_list(), cells.codes)
    is_held[vehicle[every.to_numpy() & (vehicle >= 0)]] = True
    some = ~every.to_numpy() & (vehicle >= 0) & (code >= 0)
    is_held[vehicle[some], code[some]] = True
    return is_held.ravel()


def _held_newest(held: HeldReadings, panel: Panel) -> Int64s:
    """[C, V] how many of the vehicle's newest readings lack the correction because it is held there."""
    counts = np.zeros((len(panel.codes), len(panel.vehicles)), np.int64)
    some = held.newest.drop_nulls("correction")
    code = _places(some["correction"].to_list(), pl.Series(panel.codes, dtype=pl.String))
    vehicle = _places(some["vehicle_id"].to_list(), pl.Series(panel.vehicles, dtype=pl.String))
    known = (code >= 0) & (vehicle >= 0)
    counts[code[known], vehicle[known]] = some["held"].to_numpy()[known]
    return counts


def _family_states(family: Newest, cells: _Cells, held: HeldReadings) -> pl.DataFrame:
    """Rows of one family, by `CELL`; without vehicles that are not in service."""
    panel, drift, alarms, sigma = family.panel, family.drift, family.alarms, family.sigma
    last = drift.panel.row_start[1:] - 1
    expected, deviation, z, leeway = (
        rows.T[:, last] for rows in (drift.expected, drift.deviation, drift.z, drift.leeway)
    )
    alarm, relearning = drift.alarm.T[:, last], drift.relearning.T[:, last]
    values, start = panel.values.T, panel.row_start
    newest, read_row = _newest(values, start)
    margin = BAND_SIGMAS * sigma
    outside = alarm & (np.abs(deviation) > margin)
    # A correction that was not read lately was judged by the band of its last reading.
    margin = np.where(alarm | relearning, margin, np.maximum(margin, np.abs(deviation)))
    moving = np.abs(alarms.rate) >= MOVING_SIGMAS * sigma
    state = np.full(alarm.shape, STATES.index("steady"))
    state[outside] = STATES.index("outside")
    state[alarm & (moving | ~outside)] = STATES.index("drifting")
    state[relearning & ~alarm] = STATES.index("relearning")
    state[_is_stuck(panel, read_row, family.repeats) & ~alarm] = STATES.index("not_learning")
    missed = start[1:] - 1 - read_row - _held_newest(held, panel)
    state[(read_row < 0) | (missed >= NOT_READ_AFTER)] = STATES.index("not_read")
    numbers = {
        "value": newest,
        "expected": expected,
        "band_low": expected - margin,
        "band_high": expected + margin,
        "deviation": deviation,
        "z": z,
        "rate_per_30d": alarms.rate,
        "rate_per_1000km": alarms.rate_per_1000km,
        "leeway_pct": leeway,
    }
    times = {
        "alarm_at": alarms.alarm_at,
        "onset_at": alarms.onset_at,
        "onset_low": alarms.onset_low,
        "onset_high": alarms.onset_high,
        "limit_at_p10": alarms.limit_p10,
        "limit_at_p50": alarms.limit_p50,
        "limit_at_p90": alarms.limit_p90,
        "changed_at": np.where(state == STATES.index("steady"), family.changed["day"], np.nan),
    }
    frame = pl.DataFrame(
        {
            CELL: cells.of(panel.vehicles, panel.codes).T.ravel(),
            "state": pl.Series(STATES).gather(state.ravel()),
            "alarm": alarm.ravel(),
            **{name: column.astype(np.float64).ravel() for name, column in numbers.items()},
            **{name: _times(day.ravel()) for name, day in times.items()},
        }
    )
    return frame.filter(pl.col(CELL) >= 0).with_columns(
        pl.col(pl.Float64).fill_nan(None), pl.col(pl.Datetime).dt.cast_time_unit("us").dt.replace_time_zone("UTC")
    )


def repeats_of(panel: Panel) -> Float64s:
    """[C, 2] how readily values of each correction repeat in a family, as `stuck.readiness` says."""
    vehicles = _vehicles(panel)
    return np.array([readiness(panel.values.T[c], vehicles)[0] for c in range(len(panel.codes))]).reshape(-1, 2)


def _vehicles(panel: Panel) -> Vehicles:
    return Vehicles.of(
        panel.row_start, np.zeros(len(panel.vehicles), np.int64), panel.hours,
        panel.read_at.astype("datetime64[s]").astype(np.int64),
    )  # fmt: skip


def _is_stuck(panel: Panel, read_row: Int64s, repeats: Float64s) -> Bools:
    """[C, V] whether the newest reading, in row `read_row` [C, V], ends a run of one value too long to be chance."""
    vehicles = _vehicles(panel)
    is_stuck = np.zeros(read_row.shape, dtype=np.bool_)
    for c in range(len(panel.codes)):
        runs = stuck_runs(
            panel.values.T[c], vehicles, repeats[c][None], rare=RARE_NOW, neutral=float(panel.neutral[c]),
            low=float(panel.low_limit[c]), high=float(panel.high_limit[c]),
            step=float(np.nan_to_num(panel.resolution[c])),
        )  # fmt: skip
        is_stuck[c, runs.vehicle[runs.last == read_row[c, runs.vehicle]]] = True
    return is_stuck


def _times(day: Float64s) -> np.ndarray:
    """Times of days since 1970; NaN: none."""
    times = np.full(len(day), np.datetime64("NaT", "us"))
    known = np.flatnonzero(np.isfinite(day))
    times[known] = np.round(day[known] * 86_400e6).astype(np.int64).astype("datetime64[us]")
    return times


@numba.njit(cache=True, nogil=True)
def _newest(values, row_start):  # type: ignore[no-untyped-def]
    """[C, V] newest reading of each series, NaN: never read; and its row, -1."""
    shape = (len(values), len(row_start) - 1)
    newest, row = np.full(shape, np.nan, dtype=values.dtype), np.full(shape, -1, dtype=np.int64)
    for c in range(shape[0]):
        for v in range(shape[1]):
            for r in range(row_start[v + 1] - 1, row_start[v] - 1, -1):
                if not np.isnan(values[c, r]):
                    newest[c, v], row[c, v] = values[c, r], r
                    break
    return newest, row
