"""On which days each job can be done, and what each day is worth: what binds comes before cost. No bays here."""

import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cached_property
from typing import Any

from pipelines.handover import Evidence
from pipelines.workplan.assign import Option
from pipelines.workplan.calendar import Depot
from pipelines.workplan.costs import CostAssumptions
from pipelines.workplan.visits import Decision
from pipelines.workplan.waiting import chance_within

THIS_WEEK = timedelta(days=7)  # of as_of, within which work of this week is done
SOONER = 0.01  # cost of a day's delay by itself: of two days that cost the same, the earlier one
OFF_ROAD_DAY = 1e4  # a day that a vehicle off the road stands outweighs whatever else a day may save
LEAST = 1.0  # weight of a visit that is proposed although it saves nothing, so that it is placed where there is room
JOINED_DAYS = 14  # routine work due within so many days is joined at the saving of a visit
Row = dict[str, Any]
Window = tuple[datetime, datetime]


@dataclass(frozen=True, kw_only=True)
class Days:
    """Which day a job may have, by everything but the hours of the bays.

    Attributes:
        evidence: Its availability; as_of is the time of the plan.
        costs: What a visit costs.
        decided: By vehicle: what people decided.
        before: By vehicle: depot ('': none) and day that it had in the plan before, where it stays unless moving pays.
    """

    evidence: Evidence
    costs: CostAssumptions
    decided: dict[str, Decision]
    before: dict[str, tuple[str, date]]

    @property
    def today(self) -> date:
        """The day of as_of."""
        return self.evidence.as_of.date()

    def options(self, job: int, row: Row, place: Depot, depot: int) -> list[Option]:
        """The job on every open day of a depot on which it may be done there, each with its weight for the solver."""
        hours = over_days(row["labour_hours"] + row["routine_hours"], place.hours)
        days = range(len(place.days) - len(hours) + 1) if place.bays and place.hours > 0 else range(0)
        allowed = [
            day
            for day in days
            if self.may_be_on(row, place.days[day], place) and self.spared(row, place, day, hours) is not None
        ]
        saved = {day: self._saving(row, place.days[day]) - self.transfer_cost(row, place) for day in allowed}
        least = LEAST - (min(0.0, *saved.values()) if saved else 0.0)
        return [
            Option(
                job=job, depot=depot, day=day, saving=saved[day] + least + self._stays(row, place, place.days[day]),
                hours=hours, part=row["component"] or "", from_stock=self.before_parts(row, place.days[day]),
            )
            for day in allowed
        ]  # fmt: skip

    def may_be_on(self, row: Row, day: date, place: Depot) -> bool:
        """Whether urgency and what people decided allow this day; today is for what is off the road alone."""
        decision = self.decided.get(row["vehicle_id"])
        if decision is not None and decision.fixed:
            return day == decision.day
        if decision is not None and decision.value == "put_off" and decision.day is not None and day < decision.day:
            return False
        if row["urgency"] == "off_road":
            return day >= self.today
        if row["urgency"] == "this_week":
            return self.today < day and self.inside_this_week(day, place)
        return day > self.today and (row["pays_from"] is None or day >= row["pays_from"])

    def inside_this_week(self, day: date, place: Depot) -> bool:
        """Whether the whole working day lies within seven days of as_of."""
        closes = datetime.combine(day, time(place.first_hour), tzinfo=self.evidence.as_of.tzinfo)
        return closes + timedelta(hours=place.hours) <= self.evidence.as_of + THIS_WEEK

    def before_parts(self, row: Row, day: date) -> bool:
        """Whether a part ordered now cannot be there; what is urgent is looked at all the same."""
        return bool((day - self.today).days < row["lead_days"] and row["urgency"] == "plan")

    def _saving(self, row: Row, day: date) -> float:
        """Expected cost of waiting less that of the work on this day, a fault before it included."""
        wait = (day - self.today).days
        before = chance_within(wait, row["p7"], row["p30"], row["p90"])
        doing = before * row["cost_of_fault"] + (1 - before) * row["cost_now"]
        if row["urgency"] == "off_road":
            doing += OFF_ROAD_DAY * wait
        joined = row["due_on"] is not None and row["due_on"] >= day - timedelta(days=JOINED_DAYS)
        joint = self.costs.visit if joined else 0.0
        return float(row["cost_if_waiting"] - doing + joint - SOONER * wait)

    def _stays(self, row: Row, place: Depot, day: date) -> float:
        """What it is worth to leave a visit where people have seen it: another visit's cost, to bring it as agreed."""
        return self.costs.visit if self.before.get(row["vehicle_id"]) == (place.name, day) else 0.0

    def is_away(self, row: Row, place: Depot) -> bool:
        """Whether a visit to this depot is a transfer from the vehicle's own."""
        return bool(row["depot"] != place.name)

    def transfer_cost(self, row: Row, place: Depot) -> float:
        """What the way to a depot and back costs, with the vehicle standing for it; 0 at its own."""
        if not self.is_away(row, place):
            return 0.0
        standing = row["standing"] * 2 * self.costs.transfer_hours / self.costs.working_day_hours
        return float(self.costs.transfer_cost + standing)

    def may_be_sent(self, row: Row) -> bool:
        """Whether a job may go to another depot where its own has no room in time: what must not be driven may not."""
        return bool(self.costs.transfers and row["depot"] and row["urgency"] != "off_road")

    def worth_sending(self, row: Row, place: Depot) -> bool:
        """Whether a visit at another depot still pays: this week's work is done whatever it costs."""
        gain = row["cost_if_waiting"] - row["cost_now"] - self.transfer_cost(row, place)
        return bool(row["urgency"] == "this_week" or gain > 0)

    def spared(self, row: Row, place: Depot, day: int, hours: tuple[float, ...]) -> tuple[float, float] | None:
        """Earliest start and latest end within the bays' hours at which the vehicle can be had; None: not on this day.

        At another depot than its own the way there and back lies between the times at which it can be spared.
        The start counts from the opening of the first day, the end from the opening of the last. What stands anyway,
        and a day that a person chose, ask no window.
        """
        opens, last = place.opens(day), place.opens(day + len(hours) - 1)
        way = self.costs.transfer_hours if self.is_away(row, place) else 0.0
        now = max((self.evidence.as_of - opens).total_seconds() / 3600, 0.0)  # of today, what is left
        if now + hours[0] > place.hours + 1e-9:
            return None
        decision = self.decided.get(row["vehicle_id"])
        chosen = decision is not None and decision.fixed
        windows = self.windows.get(row["vehicle_id"])
        if windows is None or row["urgency"] == "off_road" or chosen:
            return now, place.hours
        for begin, end in windows:
            earliest = max((begin - opens).total_seconds() / 3600 + way, now)
            latest = min((end - last).total_seconds() / 3600 - way, place.hours)
            if (earliest if len(hours) == 1 else 0.0) + hours[-1] <= latest and earliest + hours[0] <= place.hours:
                return earliest, latest
        return None

    @cached_property
    def windows(self) -> dict[str, list[Window]]:
        """By vehicle: when it can be spared, in order; one that is not named can be spared always."""
        far = self.evidence.as_of + timedelta(days=3650)
        found: dict[str, list[Window]] = defaultdict(list)
        for vehicle, begin, end in self.evidence.availability.select("vehicle_id", "from_at", "to_at").iter_rows():
            found[vehicle].append((begin, end or far))
        return found


def over_days(hours: float, day_hours: float) -> tuple[float, ...]:
    """Hours of a job on each of the days that it takes."""
    if day_hours <= 0:
        return (hours,)
    whole = max(math.ceil(hours / day_hours) - 1, 0)
    return (*([day_hours] * whole), hours - whole * day_hours)
