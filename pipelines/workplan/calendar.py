"""When the depots' bays work: one row per depot and open day, from the table `bays` or from an assumption."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import polars as pl

from pipelines.errors import LeewayError
from pipelines.workplan.costs import CostAssumptions

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True, kw_only=True)
class Depot:
    """The bays of one depot on its open days within the plan."""

    name: str
    bays: int
    hours: float  # of each bay and open day
    days: tuple[date, ...]  # open, in order
    assumed: bool  # the fleet's table says nothing of this depot
    first_hour: int  # of the working day, UTC

    def opens(self, index: int) -> datetime:
        """When the bays open on open day `index`."""
        return datetime.combine(self.days[index], time(self.first_hour), tzinfo=UTC)


def depots(bays: pl.DataFrame, names: Iterable[str], *, first: date, days: int, costs: CostAssumptions) -> list[Depot]:
    """The named depots over `days` calendar days from `first` on, sorted by name.

    Args:
        bays: The drop's table `bays`.
        names: Depots that have work; '' for vehicles without one.
        first: First day of the plan.
        days: Calendar days that the plan spans.
        costs: Bays and hours of a depot without a row.
    """
    rows = {row["depot"]: row for row in bays.iter_rows(named=True)}
    calendar = [first + timedelta(days=offset) for offset in range(days)]
    return [_depot(name, rows.get(name), calendar, costs) for name in sorted(set(names))]


def _depot(name: str, row: dict[str, object] | None, calendar: list[date], costs: CostAssumptions) -> Depot:
    said = row or {}
    open_on = _weekdays(str(said.get("days") or "Mon-Fri"), name)
    closed = {part.strip() for part in str(said.get("closed_on") or "").split("|")}
    bays, hours = said.get("bays"), said.get("hours_per_day")
    return Depot(
        name=name,
        bays=costs.bays if bays is None else int(str(bays)),
        hours=costs.bay_hours if hours is None else float(str(hours)),
        days=tuple(day for day in calendar if day.weekday() in open_on and day.isoformat() not in closed),
        assumed=row is None,
        first_hour=costs.first_hour,
    )


def _weekdays(words: str, depot: str) -> set[int]:
    """Numbers of the weekdays in words such as `Mon-Fri`, `Mon,Wed` or `Sat-Mon`."""
    found: set[int] = set()
    for part in words.lower().replace(" ", ",").replace("|", ",").split(","):
        if not part:
            continue
        ends = [name.strip()[:3] for name in part.split("-")]
        if len(ends) > 2 or any(name not in WEEKDAYS for name in ends):
            raise LeewayError(
                f"bays, depot {depot or 'without a name'}, days: '{words}' names no weekdays. "
                "Write them as Mon-Fri or Mon,Wed,Sat and load the table again."
            )
        begin, end = WEEKDAYS.index(ends[0]), WEEKDAYS.index(ends[-1])
        found |= {(begin + step) % 7 for step in range((end - begin) % 7 + 1)}
    return found
