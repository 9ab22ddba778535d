"""The plan that a state published, as every page sees it, and what it holds for one vehicle."""

import polars as pl

from dashboard import entered, published
from dashboard.screens.frame import Frame
from dashboard.views.plan import PlanView, plan
from pipelines.figure_words import with_names


def plan_of(frame: Frame, depots: list[str] | None = None) -> PlanView:
    """The plan of the state that is shown, with what people decided since.

    Args:
        frame: Who reads which state.
        depots: What the reader picked; None: all.
    """
    as_of, people = frame.reader.as_of, entered.now().people
    return published.kept(
        "plan",
        frame.reader,
        depots,
        entered.now().newest,
        build=lambda: plan(
            with_names(published.table("work_plan", as_of), people),
            planned=published.was_published("work_plan", as_of),
            left_out=with_names(published.table("plan_left_out", as_of), people),
            decided=entered.visits(frame.reader),
            vehicle_state=published.table("vehicle_state", as_of),
            depots=depots or [],
            reader=frame.reader,
        ),
    )


def planned_visit(vehicle_id: str, frame: Frame) -> str:
    """When and where a vehicle is planned in, and for what, in a sentence; empty: it is not in the plan."""
    view, reader = plan_of(frame), frame.reader
    for row in view.rows.filter(pl.col("vehicle_id") == vehicle_id).to_dicts():
        when = reader.day(row["day"], absent="on no day yet")
        start = f" at {row['start']}" if row["start"] else ""
        where = ", ".join(str(each) for each in (row["depot"], f"bay {row['bay']}" if row["bay"] else "") if each)
        return f"Its visit: {when}{start}{f', {where}' if where else ''}: {row['jobs'] or 'to be read'}."
    for row in view.waiting.filter(pl.col("vehicle_id") == vehicle_id).to_dicts():
        return f"No visit is planned: {row['reason']}"
    return ""
