"""The contract's `work_plan`: which vehicle in which bay on which day, at least expected cost. Frames in and out."""

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from itertools import pairwise
from typing import Any

import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.errors import SettingError
from pipelines.handover import Evidence
from pipelines.settings import Settings
from pipelines.workplan.assign import Option, choose
from pipelines.workplan.calendar import Depot, depots
from pipelines.workplan.costs import CostAssumptions
from pipelines.workplan.jobs import jobs
from pipelines.workplan.pack import Bays, Placed
from pipelines.workplan.reasons import reason

DAYS_OF_THIS_WEEK = 7  # after which work that should be done this week is late
SOONER = 0.01  # cost of a day's delay by itself: of two days that cost the same, the earlier one
Row = dict[str, Any]
Window = tuple[datetime, datetime]


def plan_work(
    published: Mapping[str, pl.DataFrame],
    *,
    evidence: Evidence,
    days: int,
    settings: Settings,  # noqa: ARG001 - every stage takes them; the plan draws nothing at random
    costs: CostAssumptions = CostAssumptions(),  # noqa: B008 - frozen
) -> pl.DataFrame:
    """The plan of the days after `as_of` that costs least, expected over 90 days.

    A vehicle is planned where doing the work costs less than waiting and a bay has the hours. Days are chosen by a
    mixed-integer programme on depot and day at 90 % of the hours, then packed into bays; what does not fit is tried
    on other days, dearest first.

    Args:
        published: The contract's vehicle_state, correction_state, cause_ranking and fault_forecast at as_of.
        evidence: Its vehicles, catalogue, components, bays, availability and due services.
        days: Calendar days that the plan spans, from the day after as_of on, at least 1.
        settings: The user's settings.
        costs: What is assumed where the fleet's tables say nothing.

    Returns:
        The contract's work_plan, sorted by depot, day, bay and start.

    Raises:
        SettingError: days is below 1.
    """
    if days < 1:
        raise SettingError(f"days of the plan: {days} is below 1. Plan at least one day.")
    first = evidence.as_of.date() + timedelta(days=1)
    candidates = _with_routine(jobs(published, evidence=evidence, costs=costs), evidence, first + timedelta(days=days))
    rows = candidates.with_columns(pl.col("depot").fill_null("")).to_dicts()
    places = depots(evidence.bays, (row["depot"] for row in rows), first=first, days=days, costs=costs)
    task = _Task(rows=rows, places=places, evidence=evidence, costs=costs)
    placed = task.solve()
    waiting = task.waiting(placed)
    planned = [task.planned(one, waiting[one.option.depot]) for one in placed]
    table = published_tables()["work_plan"]
    return pl.DataFrame(planned, schema=table.schema).sort("depot", "day", "bay", "start_at", "vehicle_id")


def _with_routine(candidates: pl.DataFrame, evidence: Evidence, until: date) -> pl.DataFrame:
    """Candidates with the routine services due by the plan's end: routine (text), routine_hours, due_on (earliest)."""
    due = (
        evidence.due.filter(pl.col("due_on") < until)
        .sort("vehicle_id", "due_on", "service")
        .group_by("vehicle_id", maintain_order=True)
        .agg(
            routine=pl.col("service").str.join(", "),
            routine_hours=pl.col("labour_hours").fill_null(0.0).sum(),
            due_on=pl.col("due_on").first(),
        )
    )
    return candidates.join(due, on="vehicle_id", how="left").with_columns(pl.col("routine_hours").fill_null(0.0))


@dataclass(frozen=True, kw_only=True)
class _Task:
    """One plan: the candidates as rows, the depots, and what binds them."""

    rows: list[Row]
    places: list[Depot]
    evidence: Evidence
    costs: CostAssumptions

    def solve(self) -> list[Placed]:
        """Choose days, pack bays, and place what did not fit wherever it still saves."""
        options, reserved, stock = self.options(), self._reserved(), self._stock()
        capacity = {
            (d, day): self._usable(place) - reserved[d].get(day, 0.0)
            for d, place in enumerate(self.places)
            for day in range(len(place.days))
        }
        capacity = {slot: max(hours, 0.0) for slot, hours in capacity.items()}
        chosen = choose(options, capacity=capacity, stock=stock)
        bays = [
            Bays(bays=place.bays, hours=place.hours, days=len(place.days), reserved=reserved[d])
            for d, place in enumerate(self.places)
        ]
        order = sorted(chosen, key=lambda one: (one.depot, one.day, -sum(one.hours), one.job))
        tried = [*order, *sorted(options, key=lambda one: (-one.saving, one.job, one.day))]
        placed: dict[int, Placed] = {}
        for option in tried:
            if option.job in placed or option.saving <= 0 or (option.from_stock and stock.get(option.part, 0) < 1):
                continue
            found = self._place(option, bays[option.depot])
            if found is not None:
                placed[option.job] = found
                if option.from_stock:
                    stock[option.part] -= 1
        return [placed[job] for job in sorted(placed)]

    def _usable(self, place: Depot) -> float:
        """Hours of a day that the solver may fill: all of a single bay, which needs no packing."""
        share = 1.0 if place.bays == 1 else self.costs.share_of_hours
        return max(share * place.bays * place.hours, place.hours if place.bays else 0.0)

    def _stock(self) -> dict[str, int]:
        return {row["component"]: row["on_hand"] for row in self.rows if row["component"] is not None}

    def _reserved(self) -> list[dict[int, float]]:
        """Hours of routine work of other vehicles, by depot and open day: on its day or the next one open."""
        index = {place.name: d for d, place in enumerate(self.places)}
        taken: list[dict[int, float]] = [defaultdict(float) for _ in self.places]
        mine = {row["vehicle_id"] for row in self.rows}
        due = self.evidence.due.join(self.evidence.vehicles.select("vehicle_id", "depot"), on="vehicle_id")
        for row in due.sort("vehicle_id", "service").iter_rows(named=True):
            d = index.get(row["depot"] or "")
            if d is None or row["vehicle_id"] in mine or row["due_on"] is None:
                continue
            day = next((i for i, open_day in enumerate(self.places[d].days) if open_day >= row["due_on"]), None)
            overdue_long = row["due_on"] < self.evidence.as_of.date() - timedelta(days=30)
            if day is not None and not overdue_long:
                taken[d][day] += row["labour_hours"] or 0.0
        return taken

    def options(self) -> list[Option]:
        """Every job on every open day on which it can be done."""
        found = []
        index = {place.name: d for d, place in enumerate(self.places)}
        for job, row in enumerate(self.rows):
            d = index[row["depot"]]
            place = self.places[d]
            hours = _over_days(row["labour_hours"] + row["routine_hours"], place.hours)
            for day in range(len(place.days) - len(hours) + 1) if place.bays and place.hours else ():
                if self._spared(row, place, day, hours) is None:
                    continue
                found.append(
                    Option(
                        job=job, depot=d, day=day, saving=self._saving(row, place, day), hours=hours,
                        part=row["component"] or "", from_stock=self._before_parts(row, place, day),
                    )
                )  # fmt: skip
        return found

    def _before_parts(self, row: Row, place: Depot, day: int) -> bool:
        """Whether a part ordered now cannot be there; a vehicle off the road comes in all the same."""
        early = (place.days[day] - self.evidence.as_of.date()).days < row["lead_days"]
        return bool(early and row["urgency"] != "off_road")

    def _saving(self, row: Row, place: Depot, day: int) -> float:
        """Expected cost of waiting less that of the work on this day, a fault before it included."""
        wait = (place.days[day] - self.evidence.as_of.date()).days
        before = chance_within(wait, row["p7"], row["p30"], row["p90"])
        doing = before * row["cost_of_fault"] + (1 - before) * row["cost_now"]
        if row["urgency"] == "off_road":
            doing += row["standing"] * wait
        joined = row["due_on"] is not None and row["due_on"] >= place.days[day] - timedelta(days=14)
        joint = self.costs.visit if joined else 0.0
        return float(row["cost_if_waiting"] - doing + joint - SOONER * wait)

    def _spared(self, row: Row, place: Depot, day: int, hours: tuple[float, ...]) -> tuple[float, float] | None:
        """Earliest start and latest end within the bays' hours at which the vehicle can be had; None: not on this day.

        The start counts from the opening of the first day, the end from the opening of the last.
        """
        windows = self._windows.get(row["vehicle_id"])
        if windows is None or row["urgency"] == "off_road":  # it stands anyway
            return 0.0, place.hours
        opens, last = place.opens(day), place.opens(day + len(hours) - 1)
        for begin, end in windows:
            earliest = max((begin - opens).total_seconds() / 3600, 0.0)
            latest = min((end - last).total_seconds() / 3600, place.hours)
            if (earliest if len(hours) == 1 else 0.0) + hours[-1] <= latest and earliest + hours[0] <= place.hours:
                return earliest, latest
        return None

    @cached_property
    def _windows(self) -> dict[str, list[Window]]:
        far = self.evidence.as_of + timedelta(days=3650)
        found: dict[str, list[Window]] = defaultdict(list)
        for vehicle, begin, end in self.evidence.availability.select("vehicle_id", "from_at", "to_at").iter_rows():
            found[vehicle].append((begin, end or far))
        return found

    def _held_back(self, option: Option) -> bool:
        """Whether the work should come this week, but the vehicle cannot be spared on an earlier open day than this."""
        row, place = self.rows[option.job], self.places[option.depot]
        late = (place.days[option.day] - self.evidence.as_of.date()).days > DAYS_OF_THIS_WEEK
        sooner = (self._spared(row, place, day, option.hours) for day in range(option.day))
        return row["urgency"] == "this_week" and late and all(window is None for window in sooner)

    def _place(self, option: Option, bays: Bays) -> Placed | None:
        spared = self._spared(self.rows[option.job], self.places[option.depot], option.day, option.hours)
        if spared is None:
            return None
        return bays.place(option, earliest=spared[0], latest=spared[1])

    def waiting(self, placed: list[Placed]) -> list[int]:
        """How many vehicles of each depot were worth a visit and found no bay."""
        done = {one.option.job for one in placed}
        left = {(one.depot, one.job) for one in self.options() if one.saving > 0 and one.job not in done}
        return [sum(depot == d for depot, _ in left) for d in range(len(self.places))]

    def planned(self, one: Placed, waiting: int) -> Row:
        """The plan's row of a placed job."""
        row, place = self.rows[one.option.job], self.places[one.option.depot]
        routine = f"; Routine: {row['routine']}" if row["routine"] else ""
        return {
            "vehicle_id": row["vehicle_id"],
            "depot": place.name or None,
            "day": place.days[one.option.day],
            "start_at": place.opens(one.option.day) + timedelta(hours=one.start),
            "bay": one.bay,
            "jobs": row["what"] + routine,
            "labour_hours": row["labour_hours"] + row["routine_hours"],
            "cost_now": row["cost_now"],
            "cost_if_waiting": row["cost_if_waiting"],
            "reason": reason(
                row,
                place,
                waiting=waiting,
                from_stock=one.option.from_stock,
                windows=row["vehicle_id"] in self._windows and row["urgency"] != "off_road",
                held_back=self._held_back(one.option),
            ),
        }


def _over_days(hours: float, day_hours: float) -> tuple[float, ...]:
    """Hours of a job on each of the days that it takes."""
    if day_hours <= 0:
        return (hours,)
    whole = max(math.ceil(hours / day_hours) - 1, 0)
    return (*([day_hours] * whole), hours - whole * day_hours)


def chance_within(days: float, p7: float, p30: float, p90: float) -> float:
    """Chance of a fault within so many days: hazard constant between the forecast's horizons, and after the last.

    Args:
        days: From as_of on, at least 0.
        p7: Chance within 7 days, 0 to 1; p30 and p90 likewise.
        p30: See p7.
        p90: See p7.
    """
    knots = [(0, 0.0), *((h, -math.log1p(-min(p, 1 - 1e-9))) for h, p in ((7, p7), (30, p30), (90, p90)))]
    for (begin, low), (end, high) in pairwise(knots):
        if days <= end or end == 90:
            return 1 - math.exp(-(low + max(high - low, 0.0) * (days - begin) / (end - begin)))
    raise AssertionError
