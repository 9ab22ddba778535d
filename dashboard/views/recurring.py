"""What keeps coming back in the fleet: findings and what is still new, as a page says them."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.views.wording import Reader, count, listed, number

MOST_DRAWN = 20  # findings of a chart (judgement: a screen)
FOUND = 0.05  # q-value up to which an issue counts as found (recurring, stories.py)


@dataclass(frozen=True, kw_only=True)
class RecurringView:
    """A sentence, the issues most useful first, and those that people closed since the analysis."""

    sentence: str
    issues: pl.DataFrame
    closed: pl.DataFrame
    empty_reason: str = ""


SHARED = "what a place shares"  # in words, of the nature `conditions`
MOST_PARTS = 3  # of what else belongs to a finding, named in a sentence
WORK = {"return": "work done again", "not_reset": "work without its reset"}  # what is said of a cause_or_correction
NO_ISSUES = (
    "Nothing comes back more often in one group of vehicles than in the rest, as far as this fleet's record tells. A "
    "small or young fleet has to gather more vehicle-months before a difference can be told from chance."
)
ALL_CLOSED = "All that was found is closed."


def recurring(
    recurring_issue: pl.DataFrame, *, names: Mapping[str, str], closed: Collection[str] = ()
) -> RecurringView:
    """Issues found in this fleet's own record.

    Args:
        recurring_issue: Published table.
        names: What causes, corrections and components are called.
        closed: issue_ids that people closed; one that the analysis says is back stays.
    """
    every = _with_kind(recurring_issue)
    back = pl.col("back_since").is_not_null() if "back_since" in every.columns else pl.lit(value=False)
    shut = pl.col("issue_id").is_in(list(closed)) & ~back
    issues = every.filter(~shut)
    return RecurringView(
        sentence=_sentence(issues),
        issues=_named(issues, names),
        closed=every.filter(shut),
        empty_reason="" if issues.height else ALL_CLOSED if every.height else NO_ISSUES,
    )


def not_drawn(issues: pl.DataFrame) -> str:
    """Which findings a chart of ratios leaves out; empty: none."""
    without = issues.filter(pl.col("rate_ratio").is_null()).height
    more = max(issues.height - without - MOST_DRAWN, 0)
    said = [f"{count(without, 'finding')} seen nowhere else, or of no rate"] if without else []
    said += [f"{count(more, 'finding')} beyond the first {MOST_DRAWN}"] if more else []
    return f"Not drawn: {listed(said)}." if said else ""


def watched(rollout_watch: pl.DataFrame, names: Mapping[str, str]) -> pl.DataFrame:
    """What is new and watched, nearest to a warning first.

    Args:
        rollout_watch: Published table; without columns where a release before this one published.
        names: What causes, corrections and components are called.

    Returns:
        `level, of, what, vehicles, events, expected, state, began_at`.
    """
    if not rollout_watch.height:
        return pl.DataFrame()
    warned = pl.col("warned_at").is_not_null()
    near = pl.col("evidence_ratio") >= pl.col("needed") / 2
    state = (
        pl.when(warned).then(pl.lit("▲ warns")).when(near).then(pl.lit("◆ getting clear")).otherwise(pl.lit("● quiet"))
    )
    fitted = pl.col("factor") == "part_batch"
    thing = pl.col("what").replace(dict(names))
    return rollout_watch.select(
        level=pl.when(fitted).then(pl.format("batch {}", "level")).otherwise(pl.format("calibration {}", "level")),
        of=pl.col("of").replace(dict(names)),
        what=pl.when(fitted).then(pl.format("{} mended again", thing)).otherwise(thing),
        vehicles="vehicles",
        events="events",
        expected="expected",
        state=state,
        began_at="began_at",
    )


def issue_sentence(row: Mapping[str, Any], reader: Reader) -> str:
    """One issue in words, with its interval and what it is compared with."""
    since = f", first seen {reader.day(row['first_seen_at'])}" if row["first_seen_at"] is not None else ""
    vehicles = count(row["vehicles"] or 0, "vehicle")
    if row["rate_ratio"] is None and row["low"] is None:  # what a place's vehicles did together: no rate of any
        return f"{vehicles} moved together{since}.{_holds(row)}"
    return (
        f"{_times(row)}: {number(row['rate'])} in 100 {row.get('per') or 'vehicle-months'} against "
        f"{number(row['fleet_rate'])} in the whole "
        f"fleet, {vehicles}{since}.{_doubt(row['q_value'])}{_back(row, reader)}{_holds(row)}"
    )


def _back(row: Mapping[str, Any], reader: Reader) -> str:
    """That it was closed once and has gone on since."""
    at = row.get("back_since")
    return "" if at is None else f" Closed on {reader.day(at)}; it has gone on since."


def _holds(row: Mapping[str, Any]) -> str:
    """What else belongs to the finding, so that it is not told again."""
    parts = (row.get("parts") or "").split("; ")
    more = f"; and {len(parts) - MOST_PARTS} more" if len(parts) > MOST_PARTS else ""
    return f" With it: {'; '.join(parts[:MOST_PARTS])}{more}." if row.get("parts") else ""


def _with_kind(issues: pl.DataFrame) -> pl.DataFrame:
    """The findings as published, most useful first, with `nature` in words; a store of the release before has none."""
    if "nature" not in issues.columns:
        return issues
    return issues.with_columns(pl.col("nature").replace({"conditions": SHARED}))


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
    """The issues with words for codes, and a `label` short enough for an axis, that no other has."""
    what = pl.col("cause_or_correction").replace({**names, **WORK})
    return issues.with_columns(
        cause_or_correction=what,
        factor=pl.col("factor").str.replace_all("_", " "),
        label=pl.concat_str(pl.col("level"), pl.lit(": "), what),
    ).with_columns(
        label=pl.when(pl.col("label").is_duplicated())
        .then(
            pl.format("{}, {}", "label", pl.col("first_seen_at").dt.strftime("%d %b %Y").fill_null(pl.col("issue_id")))
        )
        .otherwise("label")
    )


def _sentence(issues: pl.DataFrame) -> str:
    shared = issues.filter(pl.col("nature") == SHARED).height if "nature" in issues.columns else 0
    of_all = f"{count(shared, 'finding')} {'is' if shared == 1 else 'are'}"
    together = f" {of_all} of what vehicles of one kind or place share, and no trouble." if shared else ""
    trouble = issues.height - shared
    if not trouble:
        return f"Nothing keeps coming back.{together}"
    if shared:
        issues = issues.filter(pl.col("nature") != SHARED)
    found = issues.filter(pl.col("q_value").fill_null(0.0) <= FOUND).height
    doubtful = trouble - found
    more = f" {doubtful:,} more may be chance and {'is' if doubtful == 1 else 'are'} marked so."
    what = f"{count(found, 'thing')} {'comes' if found == 1 else 'come'} back" if found else "Nothing comes back"
    return (
        f"{what} more often in one group of vehicles than in the rest, after allowing for engine family and for how "
        f"many groups were looked at.{more if doubtful else ''}{together}"
    )
