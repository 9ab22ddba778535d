"""What keeps coming back in the fleet, and whether repairs held."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.palette import VERDICT, look
from dashboard.views.wording import Reader, count, number

FOUND = 0.05  # q-value up to which an issue counts as found (recurring, issues.py)


@dataclass(frozen=True, kw_only=True)
class RecurringView:
    """The page: a sentence, the issues strongest first, and the repairs newest first."""

    sentence: str
    issues: pl.DataFrame
    repairs_sentence: str
    repairs: pl.DataFrame
    empty_reason: str = ""
    no_repairs_reason: str = ""


NO_ISSUES = (
    "Nothing comes back more often in one group of vehicles than in the rest, as far as this fleet's record tells. A "
    "small or young fleet has to gather more vehicle-months before a difference can be told from chance."
)
NO_REPAIRS = "No repair is on record. Drops with a table of work bring them in."


def recurring(
    recurring_issue: pl.DataFrame, repair_outcome: pl.DataFrame, *, verdicts: Sequence[str], names: Mapping[str, str]
) -> RecurringView:
    """Issues found in this fleet's own record, and the outcome of each repair.

    Args:
        recurring_issue: Published table.
        repair_outcome: Published table of the same as_of.
        verdicts: Verdicts the reader picked; empty: all.
        names: What causes, corrections and components are called.
    """
    issues = _with_kind(recurring_issue)
    picked = repair_outcome.filter(pl.col("verdict").is_in(list(verdicts))) if verdicts else repair_outcome
    labels = {verdict: each.label for verdict, each in VERDICT.items()}
    repairs = picked.sort("done_at", "vehicle_id", "component", descending=[True, False, False]).with_columns(
        verdict=pl.col("verdict").replace_strict(labels, default=look(VERDICT, None).label, return_dtype=pl.String),
        component=pl.col("component").replace(dict(names)).str.replace_all("_", " "),
    )
    no_repairs = "No repair with this outcome." if repair_outcome.height else NO_REPAIRS
    return RecurringView(
        sentence=_sentence(issues),
        issues=_named(issues, names),
        repairs_sentence=_repairs_sentence(repair_outcome),
        repairs=repairs,
        empty_reason="" if issues.height else NO_ISSUES,
        no_repairs_reason="" if repairs.height else no_repairs,
    )


def issue_sentence(row: Mapping[str, Any], reader: Reader) -> str:
    """One issue in words, with its interval and what it is compared with."""
    since = f", first seen {reader.day(row['first_seen_at'])}" if row["first_seen_at"] is not None else ""
    return (
        f"{_times(row)}: {number(row['rate'])} in 100 vehicle-months against {number(row['fleet_rate'])} in the whole "
        f"fleet, {count(row['vehicles'] or 0, 'vehicle')}{since}.{_doubt(row['q_value'])}{_holds(row)}"
    )


def _holds(row: Mapping[str, Any]) -> str:
    """What else belongs to the finding, so that it is not told again."""
    return f" With it: {row['parts']}." if row.get("parts") else ""


def _with_kind(issues: pl.DataFrame) -> pl.DataFrame:
    """The findings as published, most useful first, with `nature` in words; a store of the release before has none."""
    if "nature" not in issues.columns:
        return issues
    words = {"trouble": "trouble", "conditions": "what a place shares"}
    return issues.with_columns(pl.col("nature").replace(words))


def _doubt(q_value: float | None) -> str:
    """What must be said of an issue that is worth watching but not beyond chance."""
    return "" if q_value is None or q_value <= FOUND else " This may be chance: watch it before acting on it."


def _times(row: Mapping[str, Any]) -> str:
    """How much oftener than in the rest, with what the record allows; a rest without any gives no ratio."""
    ratio, low, high = row["rate_ratio"], row["low"], row["high"]
    if ratio is None:
        at_least = "" if low is None else f"; at least {number(low)} times as often is sure enough"
        return f"Not once in the rest of the fleet{at_least}"
    interval = f" (between {number(low)} and {number(high)})" if low is not None and high is not None else ""
    return f"{number(ratio)} times the rate of the rest of the fleet{interval}"


def _named(issues: pl.DataFrame, names: Mapping[str, str]) -> pl.DataFrame:
    """The issues with words for codes, and a `label` short enough for an axis."""
    what = pl.col("cause_or_correction").replace(dict(names))
    return issues.with_columns(
        cause_or_correction=what,
        factor=pl.col("factor").str.replace_all("_", " "),
        label=pl.concat_str(pl.col("level"), pl.lit(": "), what),
    )


def _sentence(issues: pl.DataFrame) -> str:
    if not issues.height:
        return "Nothing keeps coming back."
    found = issues.filter(pl.col("q_value").fill_null(0.0) <= FOUND).height
    doubtful = issues.height - found
    more = f" {doubtful:,} more may be chance and {'is' if doubtful == 1 else 'are'} marked so."
    what = f"{count(found, 'thing')} {'comes' if found == 1 else 'come'} back" if found else "Nothing comes back"
    return (
        f"{what} more often in one group of vehicles than in the rest, after allowing for engine family and for how "
        f"many groups were looked at.{more if doubtful else ''}"
    )


def _repairs_sentence(repair_outcome: pl.DataFrame) -> str:
    counts = dict(repair_outcome.group_by("verdict").len().iter_rows())
    decided = counts.get("held", 0) + counts.get("came_back", 0) + counts.get("not_reset", 0)
    if not decided:
        return "No repair can be judged yet." if repair_outcome.height else ""
    not_reset = counts.get("not_reset", 0)
    return (
        f"Of {count(decided, 'repair')} that can be judged, {counts.get('held', 0):,} held, "
        f"{counts.get('came_back', 0):,} came back and {not_reset:,} "
        f"{'was' if not_reset == 1 else 'were'} not followed by a reset of the learned values."
    )
