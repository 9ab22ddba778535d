"""What keeps coming back and where: events and vehicle-months in, the contract's `recurring_issue` out."""

import hashlib
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.knowledge import causes
from pipelines.handover import Evidence
from pipelines.recurring.behind_findings import exposed_events
from pipelines.recurring.compared import Compared
from pipelines.recurring.comparing import Pair, Subject
from pipelines.recurring.conditions import causes_of_depots, moved_depots
from pipelines.recurring.rates import rate_ratio, rate_ratio_limits
from pipelines.recurring.repeats import repeat_repairs
from pipelines.recurring.returns import ANY, NOT_RESET, RETURN
from pipelines.recurring.rollouts import FALSE_WARNINGS, subject_of
from pipelines.recurring.stories import SHARED, Story, came_at_once

TROUBLE, WARNING, CONDITIONS = "trouble", "early warning", "conditions"
# Beyond the contract: what kind of finding, what else it holds, how many events stand behind it, a hundred of what its
# rates are of.
EXTRA = {"nature": pl.String(), "parts": pl.String(), "events": pl.Int64(), "per": pl.String()}
MONTHS, JOBS = "vehicle-months", "jobs"
ALIKE = 0.95  # share of rows that two levels have in common, from which nothing tells them apart (judgement)
NESTED = ("engine_family", "calibration")
SAME_MOVE = timedelta(days=28)  # between a movement of a depot and what began at once there (judgement)
MOSTLY = 2 / 3  # share of events that two nested levels have in common, from which both are named (judgement)
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
    compared: Compared,
    watch: pl.DataFrame,
    *,
    moved: pl.DataFrame | None,
    cause_ranking: pl.DataFrame,
    evidence: Evidence,
) -> tuple[pl.DataFrame, dict[str, Sequence[Subject]]]:
    """The contract's `recurring_issue`: things that happen more often at one level of a factor than elsewhere.

    What happens in the same episodes is one story; stories are judged together (false discovery rate), and one that
    says nothing beyond a surer one is listed inside it. Parts mended again and again on one vehicle stand beside them,
    and early warnings about what is still rolling out, where no finding says so already.

    Args:
        compared: What was tried, and the stories that stand out.
        watch: From `rollout_watch`.
        moved: Depots that moved as a whole, as bands saw them; None: not kept.
        cause_ranking: The contract's table: what a depot's vehicles have that reaches depots names what moved it.
        evidence: What things are called, and where vehicles are.

    Returns:
        Findings with the columns of EXTRA behind the contract's, those that a workshop could act on first, by how much
        would not have happened at the others' rate; what vehicles of a place share (`nature` conditions) last; and what
        those are about that rest on the comparisons or the watch, the leading subject first, by issue_id, which is the
        same in every run.
    """
    titles = titles_of(evidence)
    stories = [(_id_of(story.head), story) for story in compared.findings]
    schema = pl.Schema({**published_tables()["recurring_issue"].schema, **EXTRA})
    rows, told = [], set()
    for issue, story in stories:
        aliases = [*_aliases(story.head, compared), *_nested(story)]
        rows.append(_issue(issue, story, aliases, titles))
        told |= {(story.head.factor, story.head.level), *aliases}
    about: dict[str, Sequence[Subject]] = {
        issue: [story.head, *(pair for pair in story.pairs if pair is not story.head)] for issue, story in stories
    }
    heads = [story.head for _, story in stories]
    for row in watch.filter(pl.col("warned_at").is_not_null()).to_dicts():
        if (row["factor"], row["level"]) not in told and not is_told(subject_of(row), heads, compared):
            rows.append(_warning(row, titles))
            about[str(rows[-1]["issue_id"])] = [subject_of(row)]
    repeats = repeat_repairs(compared.stood, compared.months, titles).with_columns(nature=pl.lit(TROUBLE))
    named = causes_of_depots(cause_ranking, evidence.vehicles)
    conditions = moved_depots(moved, compared.months, titles, issue_id, named)
    conditions = conditions.filter(~_said_already(conditions, heads))
    alike = {"parts": pl.lit(""), "per": pl.lit(MONTHS)}
    conditions = conditions.with_columns(
        nature=pl.when(pl.col("cause_or_correction").is_in(list(causes())))
        .then(pl.lit(TROUBLE))
        .otherwise(pl.lit(CONDITIONS))
    )
    beside = [part.with_columns(**alike).select(schema.names()).cast(schema) for part in (repeats, conditions)]
    found = pl.DataFrame(sorted(rows, key=_usefulness), schema=schema)
    trouble = pl.col("nature") != CONDITIONS
    return pl.concat([part.filter(which) for which in (trouble, ~trouble) for part in (found, *beside)]), about


def is_told(warned: Subject, heads: Sequence[Pair], compared: Compared) -> bool:
    """Whether most of what warns of a level is what a finding tells of another factor: a tank is no calibration's."""
    ground = compared.ground(warned)
    thing = ground.thing(warned)
    episodes = set(thing.episode[exposed_events(thing, ground.compared(warned), warned.level)].tolist())
    shared = (len(episodes & head.episodes) for head in heads if head.rows == warned.rows)
    return max(shared, default=0) > SHARED * len(episodes)


def _said_already(moved: pl.DataFrame, heads: Sequence[Pair]) -> pl.Series:
    """Of movements of a depot: whether a finding says what its vehicles shared then."""
    began = [(pair.level, came_at_once(pair)) for pair in heads if pair.factor == "depot" and _shared_by_place(pair)]
    told = [
        any(depot == level and at and abs(at - since) <= SAME_MOVE for level, at in began)
        for depot, since in moved.select("level", "first_seen_at").iter_rows()
    ]
    return pl.Series(told, dtype=pl.Boolean)


def issue_id(factor: str, level: str, what: str) -> str:
    """The same id for the same issue in every run."""
    return hashlib.sha256(f"{factor}|{level}|{what}".encode()).hexdigest()[:12]


def _id_of(pair: Pair) -> str:
    return issue_id(pair.factor, pair.level, f"{NOT_RESET}|{pair.what}" if pair.kind == NOT_RESET else pair.what)


def titles_of(evidence: Evidence) -> dict[str, str]:
    """What causes, corrections and components are called."""
    titles = {code: title or code for code, title in evidence.corrections.select("code", "title").iter_rows()}
    titles |= {part: title or part for part, title in evidence.components.select("component", "title").iter_rows()}
    return titles | {key: cause.title for key, cause in causes().items()}


def _issue(
    issue: str, story: Story, aliases: Sequence[tuple[str, str]], titles: Mapping[str, str]
) -> dict[str, object]:
    pair = story.head
    ratio = rate_ratio(pair.comparison)
    low, high = rate_ratio_limits(pair.comparison)
    return {
        "issue_id": issue,
        "title": _title(story.head, ratio, aliases, titles),
        "factor": " and ".join([pair.factor, *(factor for factor, _ in aliases)]),
        "level": " and ".join([pair.level, *(level for _, level in aliases)]),
        "cause_or_correction": pair.kind if pair.what == ANY else pair.what,
        "vehicles": pair.vehicles,
        "rate": 100 * pair.exposed_events / pair.exposed_months,
        "fleet_rate": 100 * pair.events / pair.months,
        "rate_ratio": None if np.isinf(ratio) else ratio,
        "low": low,
        "high": None if np.isinf(high) else high,
        "q_value": story.q_value,
        "first_seen_at": pair.first_seen_at,
        "nature": CONDITIONS if _shared_by_place(pair) and not _reached_place(pair) else TROUBLE,
        "parts": "; ".join(_parts(story, titles)),
        "events": pair.exposed_events,
        "per": JOBS if pair.comparison.once else MONTHS,
    }


def _warning(row: Mapping[str, Any], titles: Mapping[str, str]) -> dict[str, object]:
    """A finding out of a watch that warned."""
    what = thing_words(row["kind"], row["what"], titles)
    where = _where(row["factor"], row["level"])
    return {
        "issue_id": issue_id(row["factor"], row["level"], row["what"]),
        "title": f"{where}, still new: {what} {row['rate_ratio']:.1f} times as often as usual ({row['events']} where "
        f"{row['expected']:.1f} are usual, on {row['vehicles']} vehicles that have it)",
        "factor": row["factor"],
        "level": row["level"],
        "cause_or_correction": row["what"],
        "vehicles": row["affected"],
        "rate": 100 * row["events"] / row["months"],
        "fleet_rate": 100 * row["expected"] / row["months"],
        "rate_ratio": row["rate_ratio"],
        "low": row["low"],
        "high": row["high"],
        "q_value": FALSE_WARNINGS,
        "first_seen_at": row["warned_at"],
        "nature": WARNING,
        "parts": "",
        "events": row["events"],
        "per": MONTHS,
    }


def _usefulness(row: Mapping[str, Any]) -> tuple[bool, float, str]:
    """What a workshop could act on first: by how much of it would not have happened at the others' rate."""
    spared = row["rate"] * row["vehicles"] * (1 - 1 / max(row["low"], 1.0))
    return row["nature"] == CONDITIONS, -spared, row["issue_id"]


def _aliases(pair: Pair, compared: Compared) -> list[tuple[str, str]]:
    """Factors and levels that cover the same rows but for a few: nothing tells them from the pair's own."""
    ground = compared.ground(pair)
    at_risk = ground.thing(pair).at_risk
    own = ground.place(pair.factor, pair.kind)
    here = (own.level == own.levels.index(pair.level)) & at_risk
    found = []
    for place in ground.places:
        beside = np.bincount(place.level[here & (place.level >= 0)], minlength=1)
        level = int(beside.argmax())
        covered = np.count_nonzero((place.level == level) & at_risk)
        if place.factor != pair.factor and beside[level] >= ALIKE * max(np.count_nonzero(here), covered):
            found.append((place.factor, place.levels[level]))
    return found


def _nested(story: Story) -> list[tuple[str, str]]:
    """A calibration that makes its family stand out, or the family of one: most of the events are the same."""
    head = story.head
    return [
        (pair.factor, pair.level)
        for pair in story.within
        if {pair.factor, head.factor} == set(NESTED)
        and len(pair.episodes & head.episodes) >= MOSTLY * max(len(pair.episodes), len(head.episodes))
    ][:1]


def _shared_by_place(pair: Pair) -> bool:
    """Whether it is what the vehicles of a place shared, no trouble of each; work is never."""
    return pair.kind not in (RETURN, NOT_RESET) and came_at_once(pair) is not None


def _reached_place(pair: Pair) -> bool:
    """Whether it is a cause that can reach a depot at once: then the place has it, and it is to be mended there."""
    return pair.kind == "cause" and causes()[pair.what].reaches_depots


def _title(pair: Pair, ratio: float, aliases: Sequence[tuple[str, str]], titles: Mapping[str, str]) -> str:
    where = _where(pair.factor, pair.level)
    often = "only seen here" if np.isinf(ratio) else f"{ratio:.1f} times as often as elsewhere"
    also = " or ".join(_where(factor, level) for factor, level in aliases)
    apart = f"; cannot be told from {also}, which has largely the same vehicles" if also else ""
    shared = (
        "what they have in common is to be mended" if _reached_place(pair) else "what they share, no trouble of each"
    )
    together = f"; most of it at once: {shared}" if _shared_by_place(pair) else ""
    vehicles = f"{pair.vehicles} vehicle{'' if pair.vehicles == 1 else 's'}"
    times = "once" if pair.exposed_events == 1 else f"{pair.exposed_events} times"
    return f"{where}: {_what(pair, titles)}, {often} ({times} on {vehicles}){apart}{together}"


def _where(factor: str, level: str) -> str:
    return WHERE[factor].format(level.replace("_", " ") if factor == "duty" else level)


def _what(pair: Pair, titles: Mapping[str, str]) -> str:
    return thing_words(pair.kind, pair.what, titles)


def thing_words(kind: str, what: str, titles: Mapping[str, str]) -> str:
    """What happened, in words."""
    if kind == RETURN:
        return "work that had to be done again" if what == ANY else f"{titles.get(what, what)} mended again"
    if kind == NOT_RESET:
        part = "" if what == ANY else f" ({titles.get(what, what)})"
        return f"work without setting learned values back{part}"
    return titles.get(what, f"code {what}" if kind == "code" else what)


def _parts(story: Story, titles: Mapping[str, str]) -> list[str]:
    """What else the story holds, in words, most first."""
    beside = [pair for pair in story.pairs if pair is not story.head and pair.exposed_events >= 2]
    named = [_what(pair, titles) for pair in sorted(beside, key=lambda p: (-p.exposed_events, p.what))]
    inside = [f"{_where(pair.factor, pair.level)}: {_what(pair, titles)}" for pair in story.within]
    return list(dict.fromkeys([*named, *inside]))
