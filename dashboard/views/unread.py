"""Who was not read for long, by depot: states of vehicles in, a sentence and rows out."""

from dataclasses import dataclass

import polars as pl

from dashboard.views.wording import count, listed, sentence

LEAST_DAYS = 14  # two weekly readings are missing (judgement)
USUAL_AGES = 3.0  # times the age that half of the fleet's newest readings have, where a fleet is read less often


@dataclass(frozen=True, kw_only=True)
class UnreadView:
    """The sentence, and vehicle_id, depot, days_since_read, last_read_at, never and longest unread first."""

    sentence: str
    rows: pl.DataFrame


def unread(vehicles: pl.DataFrame) -> UnreadView | None:
    """Whose newest reading is old for this fleet; None: nobody's.

    Args:
        vehicles: vehicle_id, depot, days_since_read and last_read_at of vehicles in service.
    """
    half = vehicles.get_column("days_since_read").median()
    days = max(float(LEAST_DAYS), USUAL_AGES * (float(half) if isinstance(half, int | float) else 0.0))
    rows = (
        vehicles.filter((pl.col("days_since_read") >= days) | pl.col("days_since_read").is_null())
        .select("vehicle_id", "depot", "days_since_read", "last_read_at")
        .sort("days_since_read", "vehicle_id", descending=[True, False], nulls_last=False)
    )
    if rows.is_empty():
        return None
    by_depot = rows.group_by("depot").len("vehicles").sort("vehicles", "depot", descending=[True, False])
    named = [f"{many:,} at {depot or 'no depot'}" for depot, many in by_depot.iter_rows()]
    who = f"{sentence(count(rows.height, 'vehicle'))} {'was' if rows.height == 1 else 'were'}"
    return UnreadView(sentence=f"{who} not read for {days:.0f} days or longer: {listed(named)}.", rows=rows)
