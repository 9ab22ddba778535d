"""Findings that people closed: entries in; which stay closed, and which come back since they went on after it, out."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipelines.entries.standing import newest_of_each
from pipelines.recurring.compared import Compared
from pipelines.recurring.comparing import Subject, pair_at

GROWN = 0.05  # p-value of what happened after the closing alone, from which a finding is back (judgement)
LEAST_SINCE = 3  # events since, before it can be (judgement)


@dataclass(frozen=True, kw_only=True)
class Closing:
    """That a finding was closed."""

    at: datetime
    who: str
    why: str


def closings(entries: pl.DataFrame) -> dict[str, Closing]:
    """Findings whose newest entry closes them, by issue_id.

    Args:
        entries: Those that count, of the contract's `entry`.
    """
    newest = newest_of_each(entries.filter(pl.col("kind") == "finding"), "subject")
    shut = newest.filter(pl.col("value") == "close").select(
        "subject", "entered_at", "who", why=pl.col("detail").str.json_path_match("$.text").fill_null("")
    )
    return {issue: Closing(at=at, who=who, why=why) for issue, at, who, why in shut.iter_rows()}


def has_grown(subject: Subject, compared: Compared, closed_at: datetime) -> bool:
    """Whether what happened after the closing alone says that it still happens more often there than elsewhere."""
    ground = compared.ground(subject)
    place = ground.compared(subject)
    later = place.within((place.level >= 0) & (ground.start > closed_at).to_numpy())
    since = pair_at(ground.thing(subject), later, subject.level)
    return since is not None and since.exposed_events >= LEAST_SINCE and since.p_value <= GROWN


def parted(
    issues: pl.DataFrame, shut: dict[str, Closing], grown: Callable[[str, datetime], bool]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Findings that stand, with `back_since` (when one was closed that is back), and those that stay closed.

    Args:
        issues: Rows with `issue_id`.
        shut: From `closings`.
        grown: Of an issue_id and when it was closed, whether it went on.
    """
    back = {issue: closing.at for issue, closing in shut.items() if grown(issue, closing.at)}
    stays = [issue for issue in shut if issue not in back]
    time = pl.Datetime("us", "UTC")
    standing = issues.filter(~pl.col("issue_id").is_in(stays)).with_columns(
        back_since=pl.col("issue_id").replace_strict(back, default=None, return_dtype=time)
    )
    about = pl.DataFrame(
        [(issue, shut[issue].at, shut[issue].who, shut[issue].why) for issue in stays],
        schema={"issue_id": pl.String, "closed_at": time, "closed_by": pl.String, "why": pl.String},
        orient="row",
    )
    return standing, issues.join(about, on="issue_id").sort("closed_at", "issue_id", descending=[True, False])
