"""What keeps coming back and where: events and vehicle-months in, the contract's `recurring_issue` out."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.knowledge import causes
from pipelines.handover import Bools, Drift, Evidence, Float64s, History, Int64s
from pipelines.recurring.events import events
from pipelines.recurring.exposure import FACTORS, strata_for, vehicle_months
from pipelines.recurring.rates import (
    Comparison,
    benjamini_hochberg,
    cluster_dispersion,
    excess_p,
    rate_ratio,
    rate_ratio_limits,
)
from pipelines.recurring.repeats import repeat_repairs

LEAST_EVENTS = 5  # of one thing in the fleet before its places are compared
LEAST_EXPECTED = 0.5  # events expected at a level before it is compared: chosen without looking at where they fell
WORTH_SHOWING = 0.2  # q-value up to which an issue is published; a finding is one at 0.05 or below
FACTOR_WORDS = {
    "depot": "Depot {level}",
    "duty": "Duty {level}",
    "engine_family": "Engine family {level}",
    "calibration": "Calibration {level}",
    "model_year": "Model year {level}",
    "km_class": "Vehicles at {level}",
    "season": "In {level}",
}


def recurring_issues(
    drift: Drift, cause_ranking: pl.DataFrame, *, evidence: Evidence, history: History
) -> pl.DataFrame:
    """The contract's `recurring_issue`: things that happen more often at one level of a factor than elsewhere.

    Every pair of thing and level with enough expected events is tried, compared within strata of family, age and
    season, and judged together by Benjamini and Hochberg's procedure; parts repaired again and again on one vehicle
    stand beside them.

    Args:
        drift: Alarms and states.
        cause_ranking: The contract's table.
        evidence: Vehicles and work.
        history: Readings and fault events.

    Returns:
        Issues with a q-value up to WORTH_SHOWING, surest first; `issue_id` is the same in every run.
    """
    months = vehicle_months(evidence, history)
    happened = events(drift, cause_ranking, evidence=evidence, history=history)
    titles = {key: cause.title for key, cause in causes().items()}
    titles |= {code: title or code for code, title in evidence.corrections.select("code", "title").iter_rows()}
    compared = compare(months, happened)
    found = [_issue(pair, q, titles) for pair, q in compared if q <= WORTH_SHOWING and pair.ratio > 1]
    schema = published_tables()["recurring_issue"].schema
    return pl.concat([pl.DataFrame(found, schema=schema), repeat_repairs(evidence, months)]).sort(
        "q_value", "low", "issue_id", descending=[False, True, False]
    )


@dataclass(frozen=True, kw_only=True)
class Pair:
    """One thing at one level of a factor, compared with everywhere else."""

    factor: str
    level: str
    kind: str
    what: str
    vehicles: int  # with the thing at the level
    exposed_events: int
    exposed_months: float
    events: int
    months: float
    comparison: Comparison
    p_value: float
    first_seen_at: object

    @property
    def ratio(self) -> float:
        """Rate ratio within strata; from the plain rates where no stratum can tell."""
        return rate_ratio(self.comparison)


def compare(months: pl.DataFrame, happened: pl.DataFrame) -> list[tuple[Pair, float]]:
    """Every pair that has enough to be compared, with its q-value over all of them.

    Args:
        months: From `vehicle_months`.
        happened: From `events`.
    """
    pairs = [pair for what in _things(months, happened) for pair in _pairs(months, what)]
    q_values = benjamini_hochberg(np.array([pair.p_value for pair in pairs]))
    return list(zip(pairs, q_values.tolist(), strict=True))


@dataclass(frozen=True, kw_only=True)
class _Thing:
    """One thing that happened, laid on the vehicle-months: each event's month row and time."""

    kind: str
    what: str
    rows: Int64s  # [n] vehicle-month rows of its events
    at: pl.Series  # [n]
    vehicle: Int64s  # [n]


@dataclass(frozen=True, kw_only=True)
class _Places:
    """One factor laid on the M vehicle-months."""

    factor: str
    levels: list[str]
    level: Int64s  # [M], number of the level; -1: not known
    stratum: Int64s  # [M]
    exposure: Float64s  # [M], months; 0 where the level is not known


def _things(months: pl.DataFrame, happened: pl.DataFrame) -> Iterator[_Thing]:
    placed = (
        happened.with_columns(month=pl.col("at").dt.truncate("1mo").dt.date())
        .join(
            months.with_row_index("row").select(
                "row", "vehicle_id", "month", vehicle=pl.col("vehicle_id").rank("dense").cast(pl.Int64) - 1
            ),
            on=["vehicle_id", "month"],
        )
        .sort("kind", "what", "at", "vehicle_id")
    )
    for (kind, what), group in placed.group_by("kind", "what", maintain_order=True):
        if group.height >= LEAST_EVENTS:
            yield _Thing(
                kind=str(kind),
                what=str(what),
                rows=group["row"].cast(pl.Int64).to_numpy(),
                at=group["at"],
                vehicle=group["vehicle"].to_numpy(),
            )


def _pairs(months: pl.DataFrame, thing: _Thing) -> Iterator[Pair]:
    exposure = months["exposure"].to_numpy()
    for factor in FACTORS:
        levels = months[factor].drop_nulls().unique().sort()
        if len(levels) < 2:
            continue
        level_of = months[factor].replace_strict(levels, range(len(levels)), default=-1).to_numpy()
        places = _Places(
            factor=factor,
            levels=levels.to_list(),
            level=level_of,
            stratum=_numbered(months, strata_for(factor)),
            exposure=np.where(level_of >= 0, exposure, 0.0),
        )
        yield from _levels_of(thing, places)


def _levels_of(thing: _Thing, places: _Places) -> Iterator[Pair]:
    factor, levels, level_of, stratum, exposure = (
        places.factor,
        places.levels,
        places.level,
        places.stratum,
        places.exposure,
    )
    inside: Bools = level_of[thing.rows] >= 0
    rows, vehicle = thing.rows[inside], thing.vehicle[inside]
    count = int(stratum.max()) + 1
    time = np.bincount(stratum, weights=exposure, minlength=count).astype(np.float64)
    total = np.bincount(stratum[rows], minlength=count)
    cell = stratum * len(levels) + np.maximum(level_of, 0)
    cells = np.bincount(cell, weights=exposure, minlength=count * len(levels)).reshape(count, len(levels))
    for number, level in enumerate(levels):
        exposed_time = cells[:, number].astype(np.float64)
        share = np.divide(exposed_time, time, out=np.zeros(count), where=time > 0)
        if total @ share < LEAST_EXPECTED or len(rows) < LEAST_EVENTS:
            continue
        exposed = level_of[rows] == number
        of_event = share[stratum[rows]]
        comparison = Comparison(
            exposed_events=np.bincount(stratum[rows][exposed], minlength=count),
            events=total,
            exposed_time=exposed_time,
            time=time,
            dispersion=cluster_dispersion(of_event * (1 - of_event), exposed - of_event, vehicle),
        )
        yield Pair(
            factor=factor,
            level=level,
            kind=thing.kind,
            what=thing.what,
            vehicles=len(set(vehicle[exposed].tolist())),
            exposed_events=int(exposed.sum()),
            exposed_months=float(exposed_time.sum()),
            events=len(rows),
            months=float(time.sum()),
            comparison=comparison,
            p_value=excess_p(comparison),
            first_seen_at=thing.at.filter(pl.Series(inside)).filter(pl.Series(exposed)).min(),
        )


def _numbered(months: pl.DataFrame, columns: list[str]) -> Int64s:
    """Number of each row's stratum, from 0."""
    if not columns:
        return np.zeros(months.height, dtype=np.int64)
    key = months.select(pl.concat_str(columns, separator="|", ignore_nulls=True).rank("dense"))
    return key.to_series().cast(pl.Int64).to_numpy() - 1


def _issue(pair: Pair, q_value: float, titles: dict[str, str]) -> dict[str, object]:
    ratio = pair.ratio
    low, high = rate_ratio_limits(pair.comparison)
    where = FACTOR_WORDS[pair.factor].format(level=pair.level)
    what = titles.get(pair.what, f"code {pair.what}" if pair.kind == "code" else pair.what)
    times = "only seen here" if np.isinf(ratio) else f"{ratio:.1f} times as often as elsewhere"
    return {
        "issue_id": issue_id(pair.factor, pair.level, pair.what),
        "title": f"{where}: {what}, {times} ({pair.exposed_events} on {pair.vehicles} vehicles)",
        "factor": pair.factor,
        "level": pair.level,
        "cause_or_correction": pair.what,
        "vehicles": pair.vehicles,
        "rate": 100 * pair.exposed_events / pair.exposed_months,
        "fleet_rate": 100 * pair.events / pair.months,
        "rate_ratio": None if np.isinf(ratio) else ratio,
        "low": low,
        "high": None if np.isinf(high) else high,
        "q_value": q_value,
        "first_seen_at": pair.first_seen_at,
    }


def issue_id(factor: str, level: str, what: str) -> str:
    """The same id for the same issue in every run."""
    return hashlib.sha256(f"{factor}|{level}|{what}".encode()).hexdigest()[:12]
