"""What keeps coming back and where: events and vehicle-months in, the contract's `recurring_issue` out."""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.knowledge import causes
from pipelines.handover import Bools, Drift, Evidence, History
from pipelines.recurring.comparing import Pair, Places, Thing, pairs_of, places_of, things_of
from pipelines.recurring.conditions import moved_depots
from pipelines.recurring.could_have import CouldHave, could_have
from pipelines.recurring.events import events
from pipelines.recurring.exposure import FACTORS, strata_for, vehicle_months
from pipelines.recurring.rates import rate_ratio, rate_ratio_limits
from pipelines.recurring.repeats import repeat_repairs
from pipelines.recurring.returns import (
    ANY,
    JOB_FACTORS,
    JOB_STRATA,
    NOT_RESET,
    RETURN,
    jobs,
    returned,
    said_of_reset,
    without_reset,
)
from pipelines.recurring.stories import Story, came_at_once, findings_of, stories_of

TROUBLE, CONDITIONS = "trouble", "conditions"
EXTRA = {"nature": pl.String(), "parts": pl.String()}  # beyond the contract: what kind of finding, what else it holds
WHERE = {
    "depot": "Depot {}",
    "duty": "Duty {}",
    "engine_family": "Engine family {}",
    "calibration": "Calibration {}",
    "model_year": "Model year {}",
    "km_class": "Vehicles at {}",
    "workshop": "Work by {}",
    "part_batch": "Part batch {}",
    "part_number": "Part number {}",
}


def recurring_issues(
    drift: Drift, cause_ranking: pl.DataFrame, repair_outcome: pl.DataFrame, *, evidence: Evidence, history: History
) -> pl.DataFrame:
    """The contract's `recurring_issue`: things that happen more often at one level of a factor than elsewhere.

    Every pair of thing and level with enough expected events is tried among the vehicles that could have it and were
    read, compared within strata of family, age and season. What happens in the same episodes is one story; stories are
    judged together (false discovery rate), and one that says nothing beyond a surer one is listed inside it. Codes,
    drifts and causes are compared by where and what the vehicle is; work that came back, or went without its reset, by
    who did it and with which part. Parts mended again and again on one vehicle stand beside them.

    Args:
        drift: Alarms and states.
        cause_ranking: The contract's table.
        repair_outcome: The contract's table.
        evidence: Vehicles, families and work.
        history: Readings and fault events.

    Returns:
        Findings, those that a workshop could act on first, by how much would not have happened at the others' rate;
        what vehicles of a place share (`nature` conditions) last; `issue_id` is the same in every run.
    """
    months = vehicle_months(evidence, history)
    stood = jobs(evidence, history, repair_outcome, months)
    told = said_of_reset(stood)
    possible = could_have(drift, corrections=evidence.corrections, families=evidence.families)
    happened = _on_months(events(drift, cause_ranking, evidence=evidence, history=history), months)
    compared = [
        (things_of(happened, _where(months, possible)), _places(months, FACTORS, strata_for, "vehicle-month")),
        (things_of(returned(stood), _all_of(stood)), _places(stood, JOB_FACTORS, lambda _: JOB_STRATA, "job")),
        (
            things_of(without_reset(told), _all_of(told)),
            _places(told, JOB_FACTORS, lambda _: JOB_STRATA, "job told of"),
        ),
    ]
    titles = _titles(evidence)
    found = sorted((_issue(story, titles) for story in _findings(compared)), key=_usefulness)
    schema = pl.Schema({**published_tables()["recurring_issue"].schema, **EXTRA})
    repeats = repeat_repairs(stood, months, titles).with_columns(nature=pl.lit(TROUBLE), parts=pl.lit(""))
    conditions = moved_depots(drift.extras.get("drift_moved"), months, titles, issue_id)
    shared = conditions.with_columns(nature=pl.lit(CONDITIONS), parts=pl.lit(""))
    parts = [
        pl.DataFrame(found, schema=schema),
        *(part.select(schema.names()).cast(schema) for part in (repeats, shared)),
    ]
    return pl.concat(parts)


def issue_id(factor: str, level: str, what: str) -> str:
    """The same id for the same issue in every run."""
    return hashlib.sha256(f"{factor}|{level}|{what}".encode()).hexdigest()[:12]


def _on_months(happened: pl.DataFrame, months: pl.DataFrame) -> pl.DataFrame:
    """Events with the row of their vehicle-month; those outside observation are left out."""
    rows = months.with_row_index("row").select("row", "vehicle_id", "month")
    return happened.with_columns(month=pl.col("at").dt.truncate("1mo").dt.date()).join(rows, on=["vehicle_id", "month"])


def _where(months: pl.DataFrame, possible: CouldHave) -> Callable[[str, str], Bools]:
    """Of a thing, the vehicle-months in which it could have happened and would have been seen."""
    read = {"code": months["memory_read"].fill_null(value=False).to_numpy()}
    everywhere = np.ones(months.height, dtype=bool)

    @cache
    def rows(families: frozenset[str] | None, kind: str) -> Bools:
        had = everywhere if families is None else months["engine_family"].is_in(sorted(families)).to_numpy()
        return np.asarray(had & read.get(kind, everywhere))

    return lambda kind, what: rows(possible.of(kind, what), kind if kind in read else "")


def _all_of(rows: pl.DataFrame) -> Callable[[str, str], Bools]:
    """Of a component, the jobs on it."""
    return lambda _kind, what: rows.select((pl.lit(what == ANY) | (pl.col("component") == what)).alias("at_risk"))[
        "at_risk"
    ].to_numpy()


def _places(
    rows: pl.DataFrame, factors: Sequence[str], strata: Callable[[str], Sequence[str]], name: str
) -> list[Places]:
    return [places_of(rows, factor, strata(factor), rows=name) for factor in factors]


def _findings(compared: Sequence[tuple[Sequence[Thing], Sequence[Places]]]) -> list[Story]:
    """Stories of every part, judged together."""
    stories: list[Story] = []
    for things, places in compared:
        stories += stories_of(_pairs(things, places))
    return findings_of(
        stories,
        {(thing.kind, thing.what): thing for things, _ in compared for thing in things},
        {(place.rows, place.factor): place for _, places in compared for place in places},
    )


def _pairs(things: Sequence[Thing], places: Sequence[Places]) -> list[Pair]:
    """Every thing at every place; things that could happen on the same rows share what is counted of these."""
    within: dict[int, list[Places]] = {}
    pairs: list[Pair] = []
    for thing in things:
        if id(thing.at_risk) not in within:
            within[id(thing.at_risk)] = [place.within(thing.at_risk) for place in places]
        pairs += [pair for place in within[id(thing.at_risk)] for pair in pairs_of(thing, place)]
    return pairs


def _titles(evidence: Evidence) -> dict[str, str]:
    """What causes, corrections and components are called."""
    titles = {code: title or code for code, title in evidence.corrections.select("code", "title").iter_rows()}
    titles |= {part: title or part for part, title in evidence.components.select("component", "title").iter_rows()}
    return titles | {key: cause.title for key, cause in causes().items()}


def _issue(story: Story, titles: Mapping[str, str]) -> dict[str, object]:
    pair = story.head
    ratio = rate_ratio(pair.comparison)
    low, high = rate_ratio_limits(pair.comparison)
    aliases = _aliases(story)
    return {
        "issue_id": issue_id(
            pair.factor, pair.level, f"{NOT_RESET}|{pair.what}" if pair.kind == NOT_RESET else pair.what
        ),
        "title": _title(story, ratio, titles),
        "factor": " and ".join([pair.factor, *(alias.factor for alias in aliases)]),
        "level": " and ".join([pair.level, *(alias.level for alias in aliases)]),
        "cause_or_correction": pair.kind if pair.what == ANY else pair.what,
        "vehicles": pair.vehicles,
        "rate": 100 * pair.exposed_events / pair.exposed_months,
        "fleet_rate": 100 * pair.events / pair.months,
        "rate_ratio": None if np.isinf(ratio) else ratio,
        "low": low,
        "high": None if np.isinf(high) else high,
        "q_value": story.q_value,
        "first_seen_at": pair.first_seen_at,
        "nature": CONDITIONS if _shared_by_place(pair) else TROUBLE,
        "parts": "; ".join(_parts(story, titles)),
    }


def _usefulness(row: Mapping[str, Any]) -> tuple[bool, float, str]:
    """What a workshop could act on first: by how much of it would not have happened at the others' rate."""
    spared = row["rate"] * row["vehicles"] * (1 - 1 / max(row["low"], 1.0))
    return row["nature"] == CONDITIONS, -spared, row["issue_id"]


def _aliases(story: Story) -> list[Pair]:
    """Pairs of other factors with the very same episodes: nothing tells their levels apart."""
    return [pair for pair in story.within if pair.factor != story.head.factor and pair.episodes == story.head.episodes]


def _shared_by_place(pair: Pair) -> bool:
    """Whether it is what the vehicles of a place shared, no trouble of each; work is never."""
    return pair.kind not in (RETURN, NOT_RESET) and came_at_once(pair) is not None


def _title(story: Story, ratio: float, titles: Mapping[str, str]) -> str:
    pair = story.head
    where = WHERE[pair.factor].format(pair.level)
    often = "only seen here" if np.isinf(ratio) else f"{ratio:.1f} times as often as elsewhere"
    also = " or ".join(WHERE[alias.factor].format(alias.level) for alias in _aliases(story))
    apart = f"; cannot be told from {also}, which covers the same vehicles" if also else ""
    together = "; most of it at once: what they share, no trouble of each" if _shared_by_place(pair) else ""
    vehicles = f"{pair.vehicles} vehicle{'' if pair.vehicles == 1 else 's'}"
    return f"{where}: {_what(pair, titles)}, {often} ({pair.exposed_events} on {vehicles}){apart}{together}"


def _what(pair: Pair, titles: Mapping[str, str]) -> str:
    if pair.kind == RETURN:
        return (
            "work that had to be done again" if pair.what == ANY else f"{titles.get(pair.what, pair.what)} mended again"
        )
    if pair.kind == NOT_RESET:
        part = "" if pair.what == ANY else f" ({titles.get(pair.what, pair.what)})"
        return f"work without setting learned values back{part}"
    return titles.get(pair.what, f"code {pair.what}" if pair.kind == "code" else pair.what)


def _parts(story: Story, titles: Mapping[str, str]) -> list[str]:
    """What else the story holds, in words, most first."""
    beside = [pair for pair in story.pairs if pair is not story.head and pair.exposed_events >= 2]
    named = [_what(pair, titles) for pair in sorted(beside, key=lambda p: (-p.exposed_events, p.what))]
    inside = [f"{WHERE[pair.factor].format(pair.level)}: {_what(pair, titles)}" for pair in story.within]
    return list(dict.fromkeys([*named, *inside]))
