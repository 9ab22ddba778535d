"""What keeps coming back and where: events and vehicle-months in, the contract's `recurring_issue` out."""

import hashlib
from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.knowledge import causes
from pipelines.handover import Drift, Evidence, History
from pipelines.recurring.comparing import Pair, Places, compare, overlap, places_of, things_of
from pipelines.recurring.events import events
from pipelines.recurring.exposure import FACTORS, strata_for, vehicle_months
from pipelines.recurring.rates import rate_ratio, rate_ratio_limits
from pipelines.recurring.repeats import repeat_repairs
from pipelines.recurring.returns import RETURN_FACTORS, RETURN_STRATA, spells

WORTH_SHOWING = 0.2  # q-value up to which an issue is published; a finding is one at 0.05 or below
SAME_TIME = 0.9  # overlap from which two levels are one issue, since nothing tells them apart
WHERE = {
    "depot": "Depot {}",
    "duty": "Duty {}",
    "engine_family": "Engine family {}",
    "calibration": "Calibration {}",
    "model_year": "Model year {}",
    "km_class": "Vehicles at {}",
    "season": "In {}",
    "workshop": "Work by {}",
    "part_batch": "Part batch {}",
    "part_number": "Part number {}",
}


def recurring_issues(
    drift: Drift, cause_ranking: pl.DataFrame, *, evidence: Evidence, history: History
) -> pl.DataFrame:
    """The contract's `recurring_issue`: things that happen more often at one level of a factor than elsewhere.

    Every pair of thing and level with enough expected events is tried, compared within strata of family, age and
    season, and judged together by Benjamini and Hochberg's procedure. Codes, drifts and causes are compared by where
    and what the vehicle is; work that had to be done again by who did it and with which part. Parts mended again and
    again on one vehicle stand beside them.

    Args:
        drift: Alarms and states.
        cause_ranking: The contract's table.
        evidence: Vehicles and work.
        history: Readings and fault events.

    Returns:
        Issues with a q-value up to WORTH_SHOWING, surest first; `issue_id` is the same in every run.
    """
    months = vehicle_months(evidence, history)
    stood = spells(evidence, months)
    vehicle_places = [places_of(months, factor, strata_for(factor)) for factor in FACTORS]
    work_places = [places_of(stood, factor, RETURN_STRATA) for factor in RETURN_FACTORS]
    happened = _on_months(events(drift, cause_ranking, evidence=evidence, history=history), months)
    compared = compare([(things_of(happened), vehicle_places), (things_of(_returns(stood)), work_places)])
    shown = [(pair, q) for pair, q in compared if q <= WORTH_SHOWING and rate_ratio(pair.comparison) > 1]
    by_factor = {places.factor: places for places in (*vehicle_places, *work_places)}
    titles = _titles(evidence)
    found = [_issue(joint, q, titles) for joint, q in _joined(shown, by_factor)]
    schema = published_tables()["recurring_issue"].schema
    return pl.concat([pl.DataFrame(found, schema=schema), repeat_repairs(evidence, months)]).sort(
        "q_value", "low", "issue_id", descending=[False, True, False]
    )


def issue_id(factor: str, level: str, what: str) -> str:
    """The same id for the same issue in every run."""
    return hashlib.sha256(f"{factor}|{level}|{what}".encode()).hexdigest()[:12]


def _on_months(happened: pl.DataFrame, months: pl.DataFrame) -> pl.DataFrame:
    """Events with the row of their vehicle-month; those outside observation are left out."""
    rows = months.with_row_index("row").select("row", "vehicle_id", "month")
    return happened.with_columns(month=pl.col("at").dt.truncate("1mo").dt.date()).join(rows, on=["vehicle_id", "month"])


def _returns(stood: pl.DataFrame) -> pl.DataFrame:
    """Work that had to be done again, of each component and of all together."""
    again = stood.with_row_index("row").filter("returned").select("row", "vehicle_id", "at", what="component")
    return pl.concat([again, again.with_columns(what=pl.lit("any component"))]).with_columns(kind=pl.lit("return"))


def _joined(shown: Sequence[tuple[Pair, float]], places: Mapping[str, Places]) -> list[tuple[tuple[Pair, ...], float]]:
    """Pairs of one thing whose levels cover the same time are one issue, named by the surest."""
    joined: list[tuple[list[Pair], float]] = []
    for pair, q_value in sorted(shown, key=lambda entry: (entry[0].p_value, entry[0].factor, entry[0].level)):
        for group, _ in joined:
            first = group[0]
            comparable = (first.kind, first.what) == (pair.kind, pair.what) and first.factor != pair.factor
            if comparable and (
                overlap(places[first.factor], first.level, places[pair.factor], pair.level) >= SAME_TIME
            ):
                group.append(pair)
                break
        else:
            joined.append(([pair], q_value))
    return [(tuple(group), q_value) for group, q_value in joined]


def _titles(evidence: Evidence) -> dict[str, str]:
    """What causes, corrections and components are called."""
    titles = {"any component": "work that had to be done again"}
    titles |= {code: title or code for code, title in evidence.corrections.select("code", "title").iter_rows()}
    titles |= {part: title or part for part, title in evidence.components.select("component", "title").iter_rows()}
    return titles | {key: cause.title for key, cause in causes().items()}


def _issue(joint: tuple[Pair, ...], q_value: float, titles: Mapping[str, str]) -> dict[str, object]:
    pair = joint[0]
    ratio = rate_ratio(pair.comparison)
    low, high = rate_ratio_limits(pair.comparison)
    return {
        "issue_id": issue_id(pair.factor, pair.level, pair.what),
        "title": _title(joint, ratio, titles),
        "factor": " and ".join(part.factor for part in joint),
        "level": " and ".join(part.level for part in joint),
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


def _title(joint: tuple[Pair, ...], ratio: float, titles: Mapping[str, str]) -> str:
    pair = joint[0]
    where = WHERE[pair.factor].format(pair.level)
    what = titles.get(pair.what, f"code {pair.what}" if pair.kind == "code" else pair.what)
    if pair.kind == "return" and pair.what != "any component":
        what = f"{what} mended again"
    often = "only seen here" if np.isinf(ratio) else f"{ratio:.1f} times as often as elsewhere"
    also = " or ".join(WHERE[part.factor].format(part.level) for part in joint[1:])
    apart = f"; cannot be told from {also}, which covers the same vehicles" if also else ""
    return f"{where}: {what}, {often} ({pair.exposed_events} on {pair.vehicles} vehicles){apart}"
