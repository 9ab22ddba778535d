"""The work plan: which vehicle in which bay on which day, what it costs and what waiting would cost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import polars as pl

from dashboard.palette import URGENCY
from dashboard.views.joined import Choice
from dashboard.views.wording import NO_BREAK, Reader, count, listed, number, plain, sentence

UNPLACED = "unplaced"
BINDS = ("off_road", "this_week")
WEEK = timedelta(days=7)
LATE = {  # what is said of a visit that comes too late
    "off_road": "must not be driven and stays parked until",
    "this_week": "is due this week and has no visit before",
}
IN_HAND = ("start", "done")  # decisions after which nobody need be called


@dataclass(frozen=True, kw_only=True)
class PlanView:
    """The page: what binds, a sentence, the jobs in order, who waits, hours by depot and day.

    Attributes:
        binding: What must not wait and has no visit in time, with who and why; stands before everything else.
        sentence: The plan in a sentence.
        left_out: How many vehicles have no visit.
        rows: Visits in order, each with what people decided.
        waiting: Vehicles without a visit: vehicle_id, urgency, depot, reason, labour_hours, decision.
        load: Hours by depot and day.
        vehicles: Every vehicle of both with the day of its visit (None: it has none).
        empty_reason: Why there are no rows; empty: there are.
    """

    binding: list[str]
    sentence: str
    left_out: str
    rows: pl.DataFrame
    waiting: pl.DataFrame
    load: pl.DataFrame
    vehicles: dict[str, date | None]
    empty_reason: str = ""


def plan(
    work_plan: pl.DataFrame,
    *,
    planned: bool,
    left_out: pl.DataFrame,
    decided: pl.DataFrame,
    vehicle_state: pl.DataFrame,
    depots: Sequence[str],
    reader: Reader,
) -> PlanView:
    """The plan for some depots (empty: all), in the order the work is done.

    Args:
        work_plan: Published table.
        planned: Whether a plan was published for this state, be it without work.
        left_out: Published table `plan_left_out` of the same as_of.
        decided: vehicle_id, decision (in words) and value (a word of the contract), as entered until now.
        vehicle_state: Published table of the same as_of.
        depots: What the reader picked.
        reader: Whose clock it is written for.
    """
    picked, said = Choice(depot=depots), pl.col("reason").map_elements(reader.said, return_dtype=pl.String)
    work_plan, left_out = work_plan.with_columns(said), left_out.with_columns(said)
    ordered = picked.of(work_plan, "depot").sort("day", "depot", "bay", "start_at", "vehicle_id", nulls_last=True)
    starts = [reader.local(at).strftime("%H:%M") if at else None for at in ordered.get_column("start_at")]
    rows = ordered.join(decided.drop("value"), on="vehicle_id", how="left", maintain_order="left").with_columns(
        saving=pl.col("cost_if_waiting") - pl.col("cost_now"), start=pl.Series(starts, dtype=pl.String)
    )
    urgencies = vehicle_state.select("vehicle_id", "urgency")
    waiting = _waiting(picked.of(left_out, "depot"), urgencies, decided)
    return PlanView(
        binding=_binding(rows, waiting, urgencies, reader),
        sentence=_sentence(rows, reader) if planned else "No plan was made for this state yet.",
        left_out=_left_out(waiting),
        rows=rows,
        waiting=waiting.drop("rank", "value").with_columns(
            urgency=pl.col("urgency").replace_strict(
                {name: each.label for name, each in URGENCY.items()}, default=None, return_dtype=pl.String
            )
        ),
        load=_load(rows, reader),
        vehicles={
            **dict(rows.select("vehicle_id", "day").iter_rows()), **dict.fromkeys(waiting.get_column("vehicle_id")),
        },
        empty_reason="" if rows.height or waiting.height else _empty_reason(work_plan, planned),
    )  # fmt: skip


def _load(rows: pl.DataFrame, reader: Reader) -> pl.DataFrame:
    """Hours by depot and day, with the day in words."""
    hours = rows.group_by("depot", "day").agg(pl.col("labour_hours").sum(), vehicles=pl.len()).sort("day", "depot")
    words = [reader.day(day, absent="", short=True) for day in hours.get_column("day")]
    return hours.with_columns(day_word=pl.Series(words, dtype=pl.String))


def _waiting(left_out: pl.DataFrame, urgencies: pl.DataFrame, decided: pl.DataFrame) -> pl.DataFrame:
    """Vehicles without a visit, most urgent first."""
    order = {urgency: rank for rank, urgency in enumerate(URGENCY)}
    return (
        left_out.join(urgencies, on="vehicle_id", how="left")
        .join(decided, on="vehicle_id", how="left")
        .with_columns(rank=pl.col("urgency").replace_strict(order, default=len(order), return_dtype=pl.Int32))
        .sort("rank", "depot", "vehicle_id")
        .select("vehicle_id", "urgency", "depot", "reason", "labour_hours", "decision", "value", "rank")
    )


def _binding(rows: pl.DataFrame, waiting: pl.DataFrame, urgencies: pl.DataFrame, reader: Reader) -> list[str]:
    """Who must not be driven, and who is due this week, without a visit in time: with the reason."""
    in_hand = pl.col("value").is_in(IN_HAND).fill_null(value=False)
    said = [
        f"{row['vehicle_id']}: {row['reason']}"
        for row in waiting.filter(pl.col("urgency").is_in(BINDS), ~in_hand).iter_rows(named=True)
    ]
    today = reader.as_of.date()
    late = rows.join(urgencies, on="vehicle_id").filter(
        ((pl.col("urgency") == "off_road") & (pl.col("day") > today))
        | ((pl.col("urgency") == "this_week") & (pl.col("day") > today + WEEK))
    )
    said += [
        f"{row['vehicle_id']} {LATE[row['urgency']]} {reader.day(row['day'])}: {row['reason']}"
        for row in late.iter_rows(named=True)
    ]
    return said


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


def _left_out(waiting: pl.DataFrame) -> str:
    """How many vehicles that need hands have no visit; empty where all have."""
    counts = {urgency: waiting.filter(pl.col("urgency") == urgency).height for urgency in URGENCY}
    named = [f"{many:,} at \u2018{URGENCY[urgency].word}\u2019" for urgency, many in counts.items() if many]
    if not named:
        return ""
    return f"{sentence(count(waiting.height, 'vehicle'))} without a visit ({listed(named)}); why stands below."


def _empty_reason(work_plan: pl.DataFrame, planned: bool) -> str:
    if not planned:
        return "Make one with: leeway plan"
    if work_plan.height:
        return "No work is planned at this depot."
    return "The plan was made: no vehicle needs hands."


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
    parts = (str(depot or ""), f"bay {bay}" if bay is not None else "no bay of its own")
    return sentence(", ".join(part for part in parts if part))


def job_card(row: Mapping[str, Any]) -> str:
    """One vehicle's card, as Markdown: when, what, and why, with what it costs now and if it waits."""
    start = f"{row['start']} · " if row.get("start") else ""
    lines = (
        f"{start}**{plain(row['vehicle_id'])}** · {number(row['labour_hours'])}{NO_BREAK}h",
        plain(row["jobs"] or ""),
        plain(row["reason"] or ""),
    )
    return "\n\n".join(line for line in lines if line)
