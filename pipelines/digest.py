"""What is new in a fleet since an earlier analysis, one screen long; published frames in, sections of text out."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from pipelines.figure_words import day_words, percent
from pipelines.held.words import UNITS

MOST_LINES = 8  # of a section, so that a digest is one screen long
RISEN_BY, RISEN_TO = 0.10, 0.15  # a forecast has risen when it grew by so much, to so much, within 30 days (judgement)
MUST_NOT_BE_DRIVEN = "Must not be driven"
DECIDED = ("held", "came_back", "not_reset")
Tables = Mapping[str, pl.DataFrame]
READ = ("vehicle_state", "correction_state", "fault_forecast", "repair_outcome", "held_reading")  # published tables


@dataclass(frozen=True, kw_only=True)
class Section:
    """One part of a digest: its title and all its lines."""

    title: str
    lines: tuple[str, ...]

    def shown(self) -> list[str]:
        """The first lines, and how many more there are."""
        more = len(self.lines) - MOST_LINES
        return [*self.lines[:MOST_LINES], *([f"and {more} more"] if more > 0 else [])]


@dataclass(frozen=True, kw_only=True)
class Digest:
    """What is new: a headline, since when, and sections that have something to say."""

    headline: str
    told: str  # 'Since 3 March', or 'Told for the first time'
    sections: tuple[Section, ...]


def digest(now: Tables, before: Tables, *, as_of: datetime, since: datetime | None) -> Digest:
    """What is new between two analyses.

    Args:
        now: Published tables (`READ`) of the newest analysis, and `catalogue`, the fleet's corrections.
        before: The same of the analysis that the last digest told of; without tables: none is known.
        as_of: Time of the newest analysis.
        since: Time of the earlier one; None: there is none.
    """
    corrections = dict(now["catalogue"].select("code", pl.col("title").fill_null(pl.col("code"))).iter_rows())
    sections = [
        Section(title=MUST_NOT_BE_DRIVEN, lines=tuple(must_not_be_driven(now["vehicle_state"]))),
        Section(title="New this week or sooner", lines=_newly_due(now, before)),
        Section(title="New alarms", lines=_alarms(now, before, corrections)),
        Section(title="Alarms that closed", lines=_alarms(before, now, corrections)),
        Section(title="Forecasts that rose", lines=_risen(now, before)),
        Section(title="Repairs judged", lines=_verdicts(now, before)),
        Section(title="No longer read", lines=_unread(now, before)),
        Section(title="Readings withheld until decided", lines=_held(now)),
    ]
    told = tuple(section for section in sections if section.lines)
    start = f"since {day_words(since, as_of)}" if since is not None else "for the first time"
    told_words = f"S{start[1:]}" if since is not None else "Told for the first time"
    states = now["vehicle_state"]
    return Digest(
        headline=f"{states.height} vehicles on {as_of.day} {as_of:%B %Y}, told {start}"
        + (":" if told else ": nothing is new."),
        told=told_words,
        sections=told,
    )


def must_not_be_driven(vehicle_state: pl.DataFrame) -> list[str]:
    """A line for each vehicle off the road: which, and why."""
    off = vehicle_state.filter(pl.col("urgency") == "off_road").sort("vehicle_id")
    why = pl.col("urgency_reason").fill_null("no reason is published; analyse again")
    return [f"{vehicle}: {reason}" for vehicle, reason in off.select("vehicle_id", why).iter_rows()]


def _newly_due(now: Tables, before: Tables) -> tuple[str, ...]:
    due = now["vehicle_state"].filter(pl.col("urgency") == "this_week")
    earlier = _of(before, "vehicle_state", now).filter(pl.col("urgency").is_in(["this_week", "off_road"]))
    new = due.join(earlier, on="vehicle_id", how="anti").sort("vehicle_id")
    return tuple(f"{row['vehicle_id']}: {row['urgency_reason'] or 'this week'}" for row in new.iter_rows(named=True))


def _alarms(now: Tables, before: Tables, titles: Mapping[str, str]) -> tuple[str, ...]:
    """Alarms of one analysis that the other lacks."""
    if "correction_state" not in now:
        return ()
    standing = now["correction_state"].filter(pl.col("alarm"))
    earlier = _of(before, "correction_state", now).filter(pl.col("alarm"))
    new = standing.join(earlier, on=["vehicle_id", "correction"], how="anti").sort("vehicle_id", "correction")
    by_vehicle = new.group_by("vehicle_id", maintain_order=True).agg("correction")
    return tuple(
        f"{vehicle}: {', '.join(titles.get(code, code) for code in codes[:2])}"
        + (f" and {len(codes) - 2} more" if len(codes) > 2 else "")
        for vehicle, codes in by_vehicle.iter_rows()
    )


def _risen(now: Tables, before: Tables) -> tuple[str, ...]:
    month = pl.col("horizon_days") == 30
    earlier = _of(before, "fault_forecast", now).filter(month).select("vehicle_id", earlier="probability")
    rose = pl.col("probability") - pl.col("earlier") >= RISEN_BY
    risen = (
        now["fault_forecast"]
        .filter(month, pl.col("probability") >= RISEN_TO)
        .join(earlier, on="vehicle_id")
        .filter(rose)
        .sort("probability", "vehicle_id", descending=[True, False])
    )
    return tuple(
        f"{row['vehicle_id']}: {percent(row['earlier'])} to {percent(row['probability'])} within 30 days"
        for row in risen.iter_rows(named=True)
    )


def _verdicts(now: Tables, before: Tables) -> tuple[str, ...]:
    key = ["vehicle_id", "done_at", "component", "verdict"]
    decided = now["repair_outcome"].filter(pl.col("verdict").is_in(DECIDED))
    new = decided.join(_of(before, "repair_outcome", now), on=key, how="anti") if before else decided.clear()
    worst_first = new.sort(pl.col("verdict") == "held", "vehicle_id", "done_at")
    return tuple(
        f"{row['vehicle_id']}, {row['component'].replace('_', ' ')}: {row['verdict'].replace('_', ' ')}"
        for row in worst_first.iter_rows(named=True)
    )


def _unread(now: Tables, before: Tables) -> tuple[str, ...]:
    unknown = now["vehicle_state"].filter(pl.col("urgency") == "unknown")
    earlier = _of(before, "vehicle_state", now).filter(pl.col("urgency") == "unknown")
    new = unknown.join(earlier, on="vehicle_id", how="anti").sort("vehicle_id")
    return tuple(f"{row['vehicle_id']}: {row['urgency_reason'] or 'not read'}" for row in new.iter_rows(named=True))


def _held(now: Tables) -> tuple[str, ...]:
    if "held_reading" not in now:
        return ()
    batches = now["held_reading"].filter(pl.col("decision") == "open").sort("batch_id")
    return tuple(
        f"{row['file']}, {row['depot'] or 'all depots'}: {_looks(row)} "
        f"({row['vehicles']} vehicle{'' if row['vehicles'] == 1 else 's'})"
        for row in batches.iter_rows(named=True)
    )


def _looks(row: Mapping[str, Any]) -> str:
    """What of a batch looks like what; `*` are several corrections."""
    like = UNITS.get(row["looks_like"], row["looks_like"])
    return (
        f"several corrections look like {like}"
        if row["correction"] == "*"
        else f"{row['correction']} looks like {like}"
    )


def _of(tables: Tables, name: str, other: Tables) -> pl.DataFrame:
    """A table; without rows where it is not known."""
    return tables[name] if name in tables else other[name].clear()
