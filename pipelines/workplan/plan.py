"""The contract's `work_plan` and `plan_left_out`: which vehicle in which bay on which day, and why not. Frames only.

What binds comes first: days that people chose, then what is off the road, then what must come this week; the solver
takes what is left, so that it can overrule none of them. Each vehicle that needs hands stands in one of the two tables.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.errors import SettingError
from pipelines.handover import Evidence
from pipelines.settings import Settings
from pipelines.workplan.assign import Option, choose
from pipelines.workplan.calendar import Depot, depots
from pipelines.workplan.costs import CostAssumptions
from pipelines.workplan.jobs import jobs
from pipelines.workplan.left_out import Unplaced, left_out_reason, overload
from pipelines.workplan.options import Days, Row, over_days
from pipelines.workplan.pack import Bays, Placed
from pipelines.workplan.reasons import reason
from pipelines.workplan.visits import AWAY, decisions
from pipelines.workplan.waiting import waiting_costs

OVERDUE_LONG = timedelta(days=30)  # routine work overdue for longer was done, or will not be (judgement)


@dataclass(frozen=True, kw_only=True)
class WorkPlan:
    """The contract's work_plan, and plan_left_out: every vehicle that needs hands and has no visit, with the reason.

    waiting_cost: what each visit costs if it is later, as `waiting_costs` says. unproven: share of the saving that a
    better choice of days might still add, 0 to 1; jobs may be split among days in that comparison, so that the true
    share is smaller.
    """

    work_plan: pl.DataFrame
    left_out: pl.DataFrame
    waiting_cost: pl.DataFrame
    unproven: float

    def tables(self) -> dict[str, pl.DataFrame]:
        """What is published of it, by name."""
        return {"work_plan": self.work_plan, "plan_left_out": self.left_out, "waiting_cost": self.waiting_cost}


def plan_work(
    published: Mapping[str, pl.DataFrame],
    *,
    evidence: Evidence,
    days: int,
    settings: Settings,  # noqa: ARG001 - every stage takes them; the plan draws nothing at random
    costs: CostAssumptions = CostAssumptions(),  # noqa: B008 - frozen
) -> WorkPlan:
    """The plan of the days from `as_of` on that costs least among those that keep what binds.

    A visit that a person accepted or pinned stands on its day. What is off the road has the first hours that are free,
    today's too; what is due this week has a whole working day within seven days of as_of, or none. Every other vehicle
    whose urgency is `plan` or `unknown` has a visit on the days from which one pays, chosen by a mixed-integer
    programme on depot and day at 90 % of the hours, then packed into bays. What a vehicle's own depot cannot take in
    time may go to another one that has hours left, if that pays with what the way costs; this week's work whatever it
    costs. Work under warranty is the dealer's and takes no bay. A visit stays where the plan before had it unless
    moving it saves more than another visit costs.

    Args:
        published: The contract's vehicle_state, correction_state, cause_ranking and fault_forecast at as_of, and
            `fault_event`; `work_plan`: the one before, where there is one.
        evidence: Its vehicles, catalogue, components, bays, availability, due services and entries.
        days: Calendar days that the plan spans, from the day after as_of on, at least 1.
        settings: The user's settings.
        costs: What is assumed where the fleet's tables say nothing.

    Raises:
        SettingError: days is below 1.
    """
    if days < 1:
        raise SettingError(f"days of the plan: {days} is below 1. Plan at least one day.")
    today = evidence.as_of.date()
    candidates = _with_routine(
        jobs(published, evidence=evidence, costs=costs), evidence, today + timedelta(days=days + 1)
    )
    rows = candidates.with_columns(pl.col("depot").fill_null("")).to_dicts()
    before = published.get("work_plan", published_tables()["work_plan"].empty())
    shown = {row["vehicle_id"]: row for row in before.iter_rows(named=True)}
    seen = {vehicle: (row["depot"] or "", row["day"]) for vehicle, row in shown.items() if row["day"] is not None}
    on_day = {vehicle: day for vehicle, (_, day) in seen.items()}
    served = _depots_with_bays(evidence.bays) if costs.transfers else []
    task = _Task(
        rows=rows,
        places=depots(
            evidence.bays, [*(row["depot"] for row in rows), *served], first=today, days=days + 1, costs=costs
        ),
        shown=shown,
        days=Days(
            evidence=evidence, costs=costs, decided=decisions(evidence.entries, on_day, evidence.as_of), before=seen
        ),
    )
    placed = task.solve()
    return WorkPlan(
        work_plan=task.planned(placed),
        left_out=task.left_out(placed),
        waiting_cost=waiting_costs(candidates, published["fault_forecast"]),
        unproven=task.unproven(placed),
    )


def _depots_with_bays(bays: pl.DataFrame) -> list[str]:
    """Depots whose row in `bays` has any: those that may take in vehicles of others."""
    any_bays = pl.col("bays").fill_null(1) * pl.col("hours_per_day").fill_null(1.0) > 0
    return bays.filter(any_bays)["depot"].drop_nulls().to_list()


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
    in_bay = pl.col("lane") == "bay"  # the dealer does what is under warranty, and no more
    return candidates.join(due, on="vehicle_id", how="left").with_columns(
        routine=pl.when(in_bay).then("routine"),
        routine_hours=pl.when(in_bay).then(pl.col("routine_hours")).fill_null(0.0),
    )


@dataclass(frozen=True, kw_only=True)
class _Task:
    """One plan: the candidates as rows, the depots, and what binds them."""

    rows: list[Row]
    places: list[Depot]
    shown: dict[str, Row]  # by vehicle: its row of the plan before
    days: Days
    bays: list[Bays] = field(default_factory=list)
    most_saved: list[float] = field(default_factory=list)  # of each stage, what no choice of days could surpass

    def __post_init__(self) -> None:
        for place in self.places:
            self.bays.append(Bays(bays=place.bays, hours=place.hours, days=len(place.days)))

    def solve(self) -> dict[int, Placed]:
        """Place what people fixed, what is off the road, what is due this week, and then the rest; by job."""
        placed: dict[int, Placed] = {}
        stock = {row["component"]: row["on_hand"] for row in self.rows if row["component"] is not None}
        for some in self._stages():
            options = [option for job in some for option in self._options(job)]
            parked = [option for option in options if self.rows[option.job]["urgency"] == "off_road"]
            self._place(sorted(parked, key=lambda one: (one.day, -one.saving, one.job)), placed, stock)
            self._place_chosen([option for option in options if option.job not in placed], placed, stock)
            elsewhere = [option for job in some if job not in placed for option in self._elsewhere(job)]
            self._place_chosen(elsewhere, placed, stock)
        return placed

    def _stages(self) -> Iterable[list[int]]:
        """Jobs with a bay to find, what binds first; before the last, routine work of other vehicles has its hours."""
        decided = self.days.decided
        open_jobs = [job for job, row in enumerate(self.rows) if row["lane"] == "bay" and not self._is_away(row)]
        fixed = [job for job in open_jobs if (d := decided.get(self.rows[job]["vehicle_id"])) is not None and d.fixed]
        yield fixed
        for urgency in ("off_road", "this_week"):
            yield [job for job in open_jobs if job not in fixed and self.rows[job]["urgency"] == urgency]
        self._reserve_routine()
        yield [
            job for job in open_jobs if job not in fixed and self.rows[job]["urgency"] not in {"off_road", "this_week"}
        ]

    def _is_away(self, row: Row) -> bool:
        """Whether people said that no visit is to be proposed; nobody dismisses what must not be driven."""
        decision = self.days.decided.get(row["vehicle_id"])
        return decision is not None and decision.value in AWAY and not self._off_road_all_the_same(row)

    def _off_road_all_the_same(self, row: Row) -> bool:
        decision = self.days.decided.get(row["vehicle_id"])
        return row["urgency"] == "off_road" and decision is not None and decision.value == "dismiss"

    def _options(self, job: int) -> list[Option]:
        """At the vehicle's own depot; of a visit at another one that a person accepted, at that."""
        row = self.rows[job]
        decision = self.days.decided.get(row["vehicle_id"])
        seen = self.days.before.get(row["vehicle_id"])
        agreed = decision is not None and decision.fixed and seen is not None and seen[1] == decision.day
        name = seen[0] if agreed and seen is not None and self.days.may_be_sent(row) else row["depot"]
        d = next((d for d, place in enumerate(self.places) if place.name == name), self._own(row))
        return self.days.options(job, row, self.places[d], d)

    def _own(self, row: Row) -> int:
        return next(d for d, place in enumerate(self.places) if place.name == row["depot"])

    def _elsewhere(self, job: int) -> list[Option]:
        """At other depots with hours left on the day, where its own has no room for it in time."""
        row = self.rows[job]
        if not self.days.may_be_sent(row):
            return []
        others = [
            (d, place)
            for d, place in enumerate(self.places)
            if self.days.is_away(row, place) and not place.assumed and self.days.worth_sending(row, place)
        ]
        return [
            option
            for d, place in others
            for option in self.days.options(job, row, place, d)
            if all(self.bays[d].free(option.day + offset) >= hours for offset, hours in enumerate(option.hours))
        ]

    def _place_chosen(self, options: list[Option], placed: dict[int, Placed], stock: dict[str, int]) -> None:
        """Choose days, pack bays, and place what did not fit wherever there is room; what stays is packed first."""
        slots = sorted({(o.depot, o.day + offset) for o in options for offset in range(len(o.hours))})
        capacity = {(d, day): self._usable(d, day) for d, day in slots}
        chosen = choose(options, capacity=capacity, stock=stock)
        self.most_saved.append(chosen.bound)
        order = sorted(
            chosen.options, key=lambda one: (one.depot, one.day, not self._stays(one), -sum(one.hours), one.job)
        )
        self._place([*order, *sorted(options, key=lambda one: (-one.saving, one.job, one.day))], placed, stock)

    def unproven(self, placed: dict[int, Placed]) -> float:
        """Share of the saving that is not proven to be the most; what leaves no choice counts on neither side."""
        saved = sum(
            max(one.option.saving, 0.0) for job, one in placed.items() if self.rows[job]["urgency"] != "off_road"
        )
        return max(0.0, 1 - saved / most) if (most := sum(self.most_saved)) > 0 else 0.0

    def _place(self, tried: list[Option], placed: dict[int, Placed], stock: dict[str, int]) -> None:
        """Put each job into the first of its options, in their order, that has room in a bay and its part."""
        for option in tried:
            if option.job in placed or (option.from_stock and stock.get(option.part, 0) < 1):
                continue
            row, place = self.rows[option.job], self.places[option.depot]
            spared = self.days.spared(row, place, option.day, option.hours)
            if spared is None:
                continue
            found = self.bays[option.depot].place(option, earliest=spared[0], latest=spared[1], wish=self._wish(option))
            if found is not None:
                placed[option.job] = found
                if option.from_stock:
                    stock[option.part] -= 1

    def _usable(self, depot: int, day: int) -> float:
        """Hours of a day that the solver may still fill: of a single bay, which needs no packing, all that are free."""
        place, free = self.places[depot], self.bays[depot].free(day)
        share = 1.0 if place.bays == 1 else self.days.costs.share_of_hours
        total = place.bays * place.hours
        return max(free - (total - max(share * total, min(place.hours, total))), 0.0)

    def _stays(self, option: Option) -> bool:
        vehicle, place = self.rows[option.job]["vehicle_id"], self.places[option.depot]
        return self.days.before.get(vehicle) == (place.name, place.days[option.day])

    def _wish(self, option: Option) -> tuple[int, float] | None:
        """Bay and start that the visit had on this day in the plan before."""
        shown = self.shown.get(self.rows[option.job]["vehicle_id"])
        place = self.places[option.depot]
        if shown is None or not self._stays(option) or shown["bay"] is None or shown["start_at"] is None:
            return None
        return shown["bay"], (shown["start_at"] - place.opens(option.day)).total_seconds() / 3600

    def _reserve_routine(self) -> None:
        """Take off the hours of routine work of vehicles that need nothing else: on its day or the next one open."""
        index = {place.name: d for d, place in enumerate(self.places)}
        hours: dict[tuple[int, int], float] = defaultdict(float)
        mine = {row["vehicle_id"] for row in self.rows if row["lane"] == "bay"}
        evidence, today = self.days.evidence, self.days.today
        due = evidence.due.join(evidence.vehicles.select("vehicle_id", "depot"), on="vehicle_id")
        for row in due.sort("vehicle_id", "service").iter_rows(named=True):
            d = index.get(row["depot"] or "")
            if d is None or row["vehicle_id"] in mine or row["due_on"] is None or row["due_on"] < today - OVERDUE_LONG:
                continue
            open_days = enumerate(self.places[d].days)
            day = next((i for i, open_day in open_days if open_day >= row["due_on"] and open_day > today), None)
            if day is not None:
                hours[d, day] += row["labour_hours"] or 0.0
        for (d, day), taken in sorted(hours.items()):
            self.bays[d].reserve(day, taken)

    def planned(self, placed: dict[int, Placed]) -> pl.DataFrame:
        """The contract's work_plan: visits in bays, and those at the dealer's."""
        visits = [self._visit(one) for one in placed.values()]
        visits += [row for job in range(len(self.rows)) if (row := self._at_the_dealer(job)) is not None]
        table = published_tables()["work_plan"]
        return pl.DataFrame(visits, schema=table.schema).sort("depot", "day", "bay", "start_at", "vehicle_id")

    def _visit(self, one: Placed) -> Row:
        row, place = self.rows[one.option.job], self.places[one.option.depot]
        day = place.days[one.option.day]
        return {
            **_of_row(row),
            "depot": place.name or None,
            "day": day,
            "cost_now": row["cost_now"] + self.days.transfer_cost(row, place),
            "start_at": place.opens(one.option.day) + timedelta(hours=one.start),
            "bay": one.bay,
            "reason": reason(row, place, self.days, day=day, from_stock=one.option.from_stock),
        }

    def _at_the_dealer(self, job: int) -> Row | None:
        """The visit of work under warranty on the first day that it may be done; None: it is not, or there is none."""
        row = self.rows[job]
        if row["lane"] != "dealer" or self._is_away(row):
            return None
        place = next(place for place in self.places if place.name == row["depot"])
        hours = over_days(0.0, place.hours)
        for index, day in enumerate(place.days):
            if self.days.may_be_on(row, day, place) and self.days.spared(row, place, index, hours) is not None:
                opens = max(
                    place.opens(index), self.days.evidence.as_of if day == self.days.today else place.opens(index)
                )
                return {
                    **_of_row(row), "depot": place.name or None, "day": day, "start_at": opens, "bay": None,
                    "reason": reason(row, place, self.days, day=day, from_stock=False),
                }  # fmt: skip
        return None

    def left_out(self, placed: dict[int, Placed]) -> pl.DataFrame:
        """The contract's plan_left_out, sorted by vehicle."""
        table = published_tables()["plan_left_out"]
        unplaced = [
            self._unplaced(job)
            for job in range(len(self.rows))
            if job not in placed and self._at_the_dealer(job) is None
        ]
        crowded = overload(unplaced)
        told = [
            {
                "vehicle_id": one.row["vehicle_id"],
                "depot": one.place.name or None,
                "reason": left_out_reason(one, self.days, crowded),
                "labour_hours": one.row["labour_hours"] + one.row["routine_hours"],
            }
            for one in unplaced
        ]
        return pl.DataFrame(told, schema=table.schema).sort("vehicle_id")

    def _unplaced(self, job: int) -> Unplaced:
        row = self.rows[job]
        place = self.places[self._own(row)]
        others = any(self.days.is_away(row, other) and not other.assumed for other in self.places)
        return Unplaced(
            row=row, place=place, had_days=bool(self._options(job)), away=self._is_away(row),
            others_asked=others and row["lane"] == "bay" and self.days.may_be_sent(row),
        )  # fmt: skip


def _of_row(row: Row) -> Row:
    routine = f"; Routine: {row['routine']}" if row["routine"] else ""
    return {
        "vehicle_id": row["vehicle_id"],
        "jobs": row["what"] + routine,
        "labour_hours": row["labour_hours"] + row["routine_hours"],
        "cost_now": row["cost_now"],
        "cost_if_waiting": row["cost_if_waiting"],
    }
