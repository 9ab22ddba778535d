"""What it costs if a vehicle's visit is later: the published curve in, its rows and a sentence out."""

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from dashboard.views.wording import Reader, count, number

ASKED_DAYS = 14  # that the sentence speaks of


@dataclass(frozen=True, kw_only=True)
class WaitingView:
    """The sentence, and day, cost, low and high, soonest first; empty where nothing was priced."""

    sentence: str
    rows: pl.DataFrame


def waiting(vehicle_id: str, waiting_cost: pl.DataFrame, reader: Reader) -> WaitingView | None:
    """What the page says of waiting; None: no visit of this vehicle was priced.

    Args:
        vehicle_id: The fleet number.
        waiting_cost: Published table of the same as_of; without columns where none was published.
        reader: Whose days they are.
    """
    mine = waiting_cost.filter(pl.col("vehicle_id") == vehicle_id) if waiting_cost.width else waiting_cost
    if mine.is_empty():
        return None
    rows = mine.sort("days").select(
        pl.lit(reader.local(reader.as_of).date()).add(pl.duration(days="days")).alias("day"),
        "cost",
        "low",
        "high",
        "days",
    )
    now, later = rows.row(0, named=True), rows.filter(pl.col("days") == ASKED_DAYS).row(0, named=True)
    more = [later[name] - now[name] for name in ("cost", "low", "high")]
    until = reader.day(reader.as_of + timedelta(days=ASKED_DAYS))
    cost = f"{number(abs(more[0]), figures=2)} {'more' if more[0] >= 0 else 'less'} than one now"
    interval = f"{number(min(more), figures=2)} to {number(max(more), figures=2)} by the forecast's 90 % interval"
    return WaitingView(
        sentence=f"A visit {count(ASKED_DAYS, 'day')} from now, on {until}, is expected to cost {cost} ({interval}).",
        rows=rows.drop("days"),
    )
