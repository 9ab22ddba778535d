"""The work plan: which vehicle in which bay on which day, what it costs and what waiting would cost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from dashboard.palette import URGENCY
from dashboard.views.joined import Choice, with_vehicles
from dashboard.views.wording import NO_BREAK, Reader, count, listed, number, plain, sentence

UNPLACED = "unplaced"


@dataclass(frozen=True, kw_only=True)
class PlanView:
    """The page: a sentence, the jobs in order, hours by depot and day."""

    sentence: str
    left_out: str
    rows: pl.DataFrame
    load: pl.DataFrame
    empty_reason: str = ""


def plan(
    work_plan: pl.DataFrame,
    *,
    planned: bool,
    vehicle_state: pl.DataFrame,
    vehicles: pl.DataFrame,
    depots: Sequence[str],
    reader: Reader,
) -> PlanView:
    """The plan for some depots (empty: all), in the order the work is done.

    Args:
        work_plan: Published table.
        planned: Whether a plan was published for this state, be it without work.
        vehicle_state: Published table of the same as_of.
        vehicles: The fleet's vehicles.
        depots: What the reader picked.
        reader: Whose clock it is written for.
    """
    mine = work_plan.filter(pl.col("depot").is_in(list(depots))) if depots else work_plan
    ordered = mine.sort("day", "depot", "bay", "start_at", "vehicle_id", nulls_last=True)
    starts = [reader.local(at).strftime("%H:%M") if at else None for at in ordered.get_column("start_at")]
    rows = ordered.with_columns(
        saving=pl.col("cost_if_waiting") - pl.col("cost_now"), start=pl.Series(starts, dtype=pl.String)
    )
    return PlanView(
        sentence=_sentence(rows, reader) if planned else "No plan was made for this state yet.",
        left_out=_left_out(work_plan, with_vehicles(vehicle_state, vehicles), depots) if work_plan.height else "",
        rows=rows,
        load=rows.group_by("depot", "day").agg(pl.col("labour_hours").sum(), vehicles=pl.len()).sort("day", "depot"),
        empty_reason="" if rows.height else _empty_reason(work_plan, planned),
    )


def _sentence(rows: pl.DataFrame, reader: Reader) -> str:
    if not rows.height:
        return "There is no work to plan."
    hours = float(rows.get_column("labour_hours").sum())
    planned = rows.get_column("day").drop_nulls().sort().to_list()
    days = ""
    if planned:
        first, last = reader.day(planned[0]), reader.day(planned[-1])
        days = f" on {first}" if first == last else f" from {first} to {last}"
    saving = float(rows.get_column("saving").sum())
    worth = f"; expected to save {number(saving, figures=3)} against waiting" if saving > 0 else ""
    return f"{count(rows.height, 'vehicle').capitalize()}, {number(hours, figures=3)} hours of work{days}{worth}."


def _left_out(work_plan: pl.DataFrame, fleet: pl.DataFrame, depots: Sequence[str]) -> str:
    """How many vehicles that want work have none planned, and why; empty where all have."""
    mine = Choice(depot=depots).of(fleet, "depot").join(work_plan, on="vehicle_id", how="anti")
    counts = {
        urgency: mine.filter(pl.col("urgency") == urgency).height for urgency in ("off_road", "this_week", "plan")
    }
    named = [f"{many:,} at \u2018{URGENCY[urgency].word}\u2019" for urgency, many in counts.items() if many]
    if not named:
        return ""
    them = sum(counts.values())
    return (
        f"{sentence(count(them, 'vehicle'))} without a visit ({listed(named)}): by these figures a visit now would "
        f"cost more than waiting is expected to. Watch {'it' if them == 1 else 'them'} on the page Today."
    )


def _empty_reason(work_plan: pl.DataFrame, planned: bool) -> str:
    if not planned:
        return "Make one with: leeway plan"
    if work_plan.height:
        return "No work is planned at this depot."
    return "The plan was made: on no vehicle would a visit now cost less than waiting."


def days_of(rows: pl.DataFrame) -> list[str]:
    """Days with work, as '2031-02-14', in order; UNPLACED last where some work has no day."""
    days = [day.isoformat() for day in rows.get_column("day").drop_nulls().unique().sort()]
    return [*days, UNPLACED] if rows.get_column("day").null_count() else days


def bays_of(rows: pl.DataFrame, day: str) -> list[tuple[str, list[str]]]:
    """One day's job cards by bay: ('Saltings, bay 1', cards in the order they are done)."""
    shown = rows.filter(pl.col("day").is_null() if day == UNPLACED else pl.col("day") == date.fromisoformat(day))
    return [
        (_bay_name(depot, bay), [job_card(row) for row in group.to_dicts()])
        for (depot, bay), group in shown.group_by("depot", "bay", maintain_order=True)
    ]


def _bay_name(depot: object, bay: object) -> str:
    parts = (str(depot or ""), f"bay {bay}" if bay is not None else "")
    return sentence(", ".join(part for part in parts if part)) or "No bay yet"


def job_card(row: Mapping[str, Any]) -> str:
    """One vehicle's card, as Markdown: when, what, and why, with what it costs now and if it waits."""
    start = f"{row['start']} · " if row.get("start") else ""
    lines = (
        f"{start}**{plain(row['vehicle_id'])}** · {number(row['labour_hours'])}{NO_BREAK}h",
        plain(row["jobs"] or ""),
        plain(row["reason"] or ""),
    )
    return "\n\n".join(line for line in lines if line)
