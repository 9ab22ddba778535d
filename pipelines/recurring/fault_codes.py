"""Trouble codes around one piece of work: those that a vehicle came with, and those that were set again after it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import polars as pl

CAME_IN = timedelta(days=14)  # a code that went away so shortly before the work is what it was for (judgement)


@dataclass(frozen=True, kw_only=True)
class Event:
    """One fault event; `set_at` is the best estimate, or when it was found."""

    code: str
    set_at: datetime
    found_at: datetime
    ended_at: datetime | None


def by_vehicle(events: pl.DataFrame) -> dict[str, list[Event]]:
    """The history's fault events by vehicle, codes without failure type."""
    found: dict[str, list[Event]] = {}
    for vehicle, code, set_at, found_at, ended_at in events.select(
        "vehicle_id", pl.col("code").str.slice(0, 5), pl.coalesce("set_at", "found_at"), "found_at", "ended_at"
    ).iter_rows():
        found.setdefault(vehicle, []).append(Event(code=code, set_at=set_at, found_at=found_at, ended_at=ended_at))
    return found


def stood(events: list[Event], done_at: datetime) -> frozenset[str]:
    """Codes that stood when the vehicle came in."""
    return frozenset(
        e.code for e in events if e.found_at <= done_at and (e.ended_at is None or e.ended_at >= done_at - CAME_IN)
    )


def returned(events: list[Event], codes: frozenset[str], work: Mapping[str, Any]) -> list[Event]:
    """Those of some codes that were set after the work, while it was watched."""
    return [e for e in events if e.code in codes and work["done_at"] < e.set_at <= work["until"]]
