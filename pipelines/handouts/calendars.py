"""The plan as an iCalendar file a depot (RFC 5545); plain data in, bytes out."""

from datetime import timedelta

import polars as pl
from icalendar import Calendar, Event

from pipelines.handouts.gather import Papers
from pipelines.visible import visible


def calendar_of(papers: Papers, depot: str | None) -> bytes:
    """The visits of one depot (None: of vehicles without one), each an event; the same plan gives the same bytes."""
    calendar = Calendar()
    calendar.add("prodid", "-//Leeway//work plan//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", visible(f"Work plan {depot or ''}".strip()))
    mine = papers.plan.filter(pl.col("depot").eq_missing(pl.lit(depot)), pl.col("start_at").is_not_null())
    for visit in mine.sort("start_at", "bay", "vehicle_id").iter_rows(named=True):
        event = Event()
        event.add("uid", visible(f"{visit['vehicle_id']}@leeway.invalid"))
        event.add("dtstamp", papers.as_of)
        event.add("dtstart", visit["start_at"])
        event.add("dtend", visit["start_at"] + timedelta(hours=visit["labour_hours"] or 0.0))
        event.add("summary", visible(f"{visit['vehicle_id']}: {visit['jobs'] or ''}"))
        event.add("description", visible(visit["reason"] or ""))
        bay = f", bay {visit['bay']}" if visit["bay"] is not None else ""
        event.add("location", visible(f"{depot or ''}{bay}"))
        calendar.add_component(event)
    return bytes(calendar.to_ical())
