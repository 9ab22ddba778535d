"""Plans of drawn fleets against a checker that knows the contract's tables alone: nothing in it comes from the planner.

The same input gives the same plan; a small change moves little.
"""

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipelines.settings import Settings
from pipelines.workplan.plan import plan_work

AS_OF = datetime(2031, 6, 4, 12, tzinfo=UTC)  # a Wednesday noon: three hours of today are left
DAYS = 14
CHANCES = st.tuples(st.floats(0.0, 0.4), st.floats(0.0, 0.5), st.floats(0.0, 0.6)).map(
    lambda t: (t[0], 1 - (1 - t[0]) * (1 - t[1]), 1 - (1 - t[0]) * (1 - t[1]) * (1 - t[2]))
)
NEEDS_HANDS = ("off_road", "this_week", "plan", "unknown")
FIXED, AWAY = ("accept", "pin"), ("dismiss", "exclude", "start")
WEEKDAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]
OPENS, EPS = 7, 1e-6  # hour of the working day, as the plan assumes it
TRANSFER_HOURS = 1.5  # the same


class Checker:
    """What one plan must keep, by the tables that it was made from; bays rows name single weekdays or Mon-Fri."""

    def __init__(self, published, evidence, plan, *, days):
        self.evidence, self.days = evidence, days
        self.as_of, self.today = evidence.as_of, evidence.as_of.date()
        self.urgency = dict(published["vehicle_state"].select("vehicle_id", "urgency").iter_rows())
        self.rows = plan.work_plan.to_dicts()
        self.left = {row["vehicle_id"]: row for row in plan.left_out.to_dicts()}
        self.bays = {row["depot"]: row for row in evidence.bays.to_dicts()}
        newest = evidence.entries.filter(pl.col("kind") == "visit").sort("entry_id").unique("vehicle_id", keep="last")
        self.decided = {row["vehicle_id"]: row for row in newest.to_dicts()}
        self.home = {row["vehicle_id"]: row["depot"] for row in evidence.vehicles.to_dicts()}

    def breaches(self):
        return [
            *self._everyone_once(), *self._within_hours(), *self._no_overlap(), *self._windows(), *self._urgency(),
            *self._decided(), *self._stock(), *self._warranty(), *self._transfers(),
        ]  # fmt: skip

    def fixed(self, vehicle):
        decision = self.decided.get(vehicle)
        return decision is not None and decision["value"] in FIXED and decision["until"] is not None

    def open_days(self, depot):
        row = self.bays[depot]
        first, last = (row["days"].split("-") * 2)[:2]
        week = range(WEEKDAYS.index(first), WEEKDAYS.index(last) + 1)
        every = [self.today + timedelta(days=n) for n in range(self.days + 1)]
        return [d for d in every if d.weekday() in week and d.isoformat() not in (row["closed_on"] or "")]

    def _everyone_once(self):
        gone = {
            r["vehicle_id"] for r in self.evidence.vehicles.to_dicts() if (r["retired_on"] or self.today) < self.today
        }
        wanted = {v for v, urgency in self.urgency.items() if urgency in NEEDS_HANDS and v not in gone}
        seen = Counter([row["vehicle_id"] for row in self.rows] + list(self.left))
        yield from (f"{v} stands {n} times" for v, n in seen.items() if n > 1)
        yield from (f"{v} is dropped silently" for v in wanted - set(seen))
        yield from (f"{v} needs nothing" for v in set(seen) - wanted)
        yield from (f"{v} is left out without a reason" for v, row in self.left.items() if not row["reason"].strip())

    def _within_hours(self):
        for row in self.in_bays():
            place = self.bays[row["depot"]]
            opens = datetime.combine(row["day"], time(OPENS), tzinfo=UTC)
            if row["day"] not in self.open_days(row["depot"]):
                yield f"{row['vehicle_id']} on a day that is not open"
            if not 1 <= row["bay"] <= place["bays"]:
                yield f"{row['vehicle_id']} in no bay"
            late = row["start_at"] + timedelta(hours=row["labour_hours"]) > opens + timedelta(
                hours=place["hours_per_day"] + EPS
            )
            if row["start_at"] < opens or (late and row["labour_hours"] <= place["hours_per_day"]):
                yield f"{row['vehicle_id']} outside the hours"
            if row["start_at"] < self.as_of:
                yield f"{row['vehicle_id']} in the past"

    def in_bays(self):
        return [row for row in self.rows if row["bay"] is not None]

    def _no_overlap(self):
        for key in {(row["depot"], row["day"], row["bay"]) for row in self.in_bays()}:
            spans = sorted(
                (row["start_at"], row["start_at"] + timedelta(hours=row["labour_hours"] - EPS))
                for row in self.in_bays()
                if (row["depot"], row["day"], row["bay"]) == key
            )
            yield from (f"{key} is taken twice" for one, other in pairwise(spans) if one[1] > other[0])

    def spans(self, vehicle):
        """When it can be spared; None: always."""
        rows = self.evidence.availability.filter(pl.col("vehicle_id") == vehicle).to_dicts()
        return [(row["from_at"], row["to_at"]) for row in rows] or None

    def _windows(self):
        for row in self.in_bays():
            spans, ends = self.spans(row["vehicle_id"]), row["start_at"] + timedelta(hours=row["labour_hours"] - EPS)
            free = self.urgency[row["vehicle_id"]] == "off_road" or self.fixed(row["vehicle_id"])
            way = self.way(row["vehicle_id"], row["depot"])
            if spans and not free and not any(a + way <= row["start_at"] and ends + way <= b for a, b in spans):
                yield f"{row['vehicle_id']} cannot be spared then"

    def _urgency(self):
        for row in self.rows:
            vehicle = row["vehicle_id"]
            late = row["start_at"] + timedelta(hours=row["labour_hours"]) > self.as_of + timedelta(days=7, hours=EPS)
            if self.urgency[vehicle] == "this_week" and late and not self.fixed(vehicle):
                yield f"{vehicle} is due this week and planned for {row['day']}"
            if self.urgency[vehicle] != "off_road" and row["day"] <= self.today and not self.fixed(vehicle):
                yield f"{vehicle} today"
            if self.urgency[vehicle] == "off_road" and row["bay"] is not None and not self.fixed(vehicle):
                yield from self._could_come(row, until=datetime.combine(row["day"], time(0), tzinfo=UTC))
        for vehicle, row in self.left.items():
            if self.urgency[vehicle] in {"off_road", "this_week"} and self.decided.get(vehicle) is None:
                sent = self.urgency[vehicle] == "this_week" and not self.covered(vehicle)  # the dealer is one's own
                for depot in self.bays if sent else [row["depot"]]:
                    asked = {**row, "bay": None, "depot": depot}
                    yield from self._could_come(asked, until=self.as_of + timedelta(days=365))

    def way(self, vehicle, depot):
        """Time to a depot that is not the vehicle's own, and as long back."""
        return timedelta(hours=TRANSFER_HOURS if depot != self.home[vehicle] else 0.0)

    def _transfers(self):
        for row in self.rows:
            vehicle = row["vehicle_id"]
            if row["depot"] == self.home[vehicle]:
                continue
            if self.urgency[vehicle] == "off_road":
                yield f"{vehicle} must not be driven and is sent to {row['depot']}"
            if row["bay"] is None:
                yield f"{vehicle} is sent to another depot's dealer"
            if self.urgency[vehicle] == "this_week" and self.decided.get(vehicle) is None:
                yield from self._could_come({**row, "depot": self.home[vehicle]}, until=AS_OF + timedelta(days=7))
            if self.urgency[vehicle] != "this_week" and row["cost_now"] > row["cost_if_waiting"] + EPS:
                yield f"{vehicle} is sent to {row['depot']} although it does not pay"

    def _could_come(self, row, *, until):
        """A bay that only less urgent visits fill, long enough for what binds: it should have had it."""
        vehicle, hours = row["vehicle_id"], row["labour_hours"]
        off_road = self.urgency[vehicle] == "off_road"
        place = self.bays[row["depot"]]
        for day in self.open_days(row["depot"]):
            opens = datetime.combine(day, time(OPENS), tzinfo=UTC)
            closes = opens + timedelta(hours=place["hours_per_day"])
            if (not off_road and (day <= self.today or closes > self.as_of + timedelta(days=7))) or opens >= until:
                continue
            way = self.way(vehicle, row["depot"])
            spans = [(opens, closes)] if off_road else self.spans(vehicle) or [(opens - way, closes + way)]
            decision = self.decided.get(vehicle)
            if decision is not None and decision["value"] == "put_off" and day < decision["until"]:
                continue
            for bay in range(1, place["bays"] + 1):
                taken = sorted(
                    (other["start_at"], other["start_at"] + timedelta(hours=other["labour_hours"]))
                    for other in self.in_bays()
                    if (other["depot"], other["day"], other["bay"]) == (row["depot"], day, bay)
                    and other["vehicle_id"] != vehicle
                    and (self._binds_more(other["vehicle_id"], vehicle))
                )
                edges = [(opens, opens), *taken, (closes, closes)]
                for (_, free_from), (free_until, _) in pairwise(edges):
                    for begin, end in spans:
                        at = max(free_from, begin + way, self.as_of)
                        if min(free_until, end - way) - at >= timedelta(hours=hours + 1e-3) and at < until - timedelta(
                            minutes=1
                        ):
                            yield f"{vehicle} could have had bay {bay} on {day}"

    def _binds_more(self, other, vehicle):
        rank = {"off_road": 1, "this_week": 2, "plan": 3, "unknown": 3}
        return self.fixed(other) or rank[self.urgency[other]] <= rank[self.urgency[vehicle]]

    def _decided(self):
        planned = {row["vehicle_id"]: row for row in self.rows}
        for vehicle, decision in self.decided.items():
            row, dismissable = planned.get(vehicle), self.urgency.get(vehicle) != "off_road"
            if row is None:
                continue
            if decision["value"] in FIXED and decision["until"] is not None and row["day"] != decision["until"]:
                yield f"{vehicle} was moved from the day that a person chose"
            if decision["value"] == "put_off" and row["day"] < decision["until"]:
                yield f"{vehicle} comes before it was put off to"
            if decision["value"] in AWAY and (dismissable or decision["value"] != "dismiss"):
                yield f"{vehicle} is planned although it was taken off"

    def _stock(self):
        (part,) = self.evidence.components.to_dicts()
        early = [
            row
            for row in self.in_bays()
            if self.urgency[row["vehicle_id"]] == "plan"
            and (row["day"] - self.today).days < part["lead_days"]
            and not self.fixed(row["vehicle_id"])
        ]
        if len(early) > part["on_hand"]:
            yield f"{len(early)} parts before any can come, {part['on_hand']} on hand"

    def covered(self, vehicle):
        """Whether it is under warranty."""
        until = {row["vehicle_id"]: row["warranty_until"] for row in self.evidence.vehicles.to_dicts()}[vehicle]
        return until is not None and until >= self.today

    def _warranty(self):
        for row in self.rows:
            if (
                self.covered(row["vehicle_id"])
                and self.urgency[row["vehicle_id"]] != "unknown"
                and (row["bay"] is not None or row["cost_now"])
            ):
                yield f"{row['vehicle_id']} is under warranty and takes a bay or own money"


def day(number):
    return date(2031, 6, 4) + timedelta(days=number)


def entry(number, vehicle, value, until):
    return {
        "entry_id": f"{number:03d}", "entered_at": AS_OF, "who": "dispatcher", "kind": "visit", "vehicle_id": vehicle,
        "value": value, "until": until,
    }  # fmt: skip


@st.composite
def fleets(draw):
    """Two depots, vehicles of every urgency, windows, routine work, parts on order, warranties and decisions."""
    names = [f"v{n}" for n in range(draw(st.integers(1, 9)))]
    urgencies = {
        v: draw(st.sampled_from(["off_road", "this_week", "this_week", "plan", "plan", "unknown"])) for v in names
    }
    windows, due, entries, vehicles = [], [], [], []
    for number, v in enumerate(names):
        warranty = draw(st.sampled_from([None, None, None, day(-30), day(300)]))
        depot = draw(st.sampled_from(["millrace", "millrace", "saltings"]))
        vehicles.append({"vehicle_id": v, "engine_family": "rowan", "depot": depot, "warranty_until": warranty})
        for _ in range(draw(st.sampled_from([0, 0, 1, 2]))):
            begin = AS_OF + timedelta(days=draw(st.integers(-1, 12)), hours=draw(st.integers(-6, 2)))
            end = begin + timedelta(hours=draw(st.integers(1, 30)))
            windows.append({"vehicle_id": v, "from_at": begin, "to_at": end})
        if draw(st.booleans()):
            due.append(
                {"vehicle_id": v, "service": "oil", "due_on": day(draw(st.integers(-3, 10))), "labour_hours": 1.0}
            )
        value = draw(st.sampled_from([None, None, None, "accept", "pin", "put_off", "dismiss", "exclude", "start"]))
        if value is not None:
            until = day(draw(st.integers(1, 10))) if value in {"accept", "pin", "put_off"} else None
            entries.append(entry(number, v, value, until))
    bays = [bays_of(draw, depot) for depot in ("millrace", "saltings")]
    parts = {"on_hand": draw(st.integers(0, 2)), "lead_days": float(draw(st.integers(0, 9)))}
    chances = {v: draw(CHANCES) for v in names}
    return (
        chances,
        urgencies,
        parts,
        entries,
        {"vehicles": vehicles, "availability": windows, "due": due, "bays": bays},
    )


def bays_of(draw, depot):
    return {
        "depot": depot, "bays": draw(st.sampled_from([0, 0, 1, 2])),
        "hours_per_day": draw(st.sampled_from([2.0, 2.0, 3.0, 5.0, 8.0])),
        "days": draw(st.sampled_from(["Mon-Fri", "Tue-Sat", "Mon-Sun"])),
        "closed_on": draw(st.sampled_from([None, "2031-06-05", "2031-06-05|2031-06-06"])),
    }  # fmt: skip


def built(planned, fleet):
    chances, urgencies, parts, entries, tables = fleet
    published, evidence = planned(chances, **tables)
    states = published["vehicle_state"].with_columns(
        urgency=pl.col("vehicle_id").replace_strict(urgencies, return_dtype=pl.String)
    )
    components = evidence.components.with_columns(
        on_hand=pl.lit(parts["on_hand"], pl.Int64), lead_days=pl.lit(parts["lead_days"])
    )
    record = pl.DataFrame(entries, schema=evidence.entries.schema) if entries else evidence.entries
    evidence = replace(evidence, as_of=AS_OF, components=components, entries=record)
    return {**published, "vehicle_state": states}, evidence


def made(published, evidence):
    return plan_work(published, evidence=evidence, days=DAYS, settings=Settings())


@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(fleet=fleets())
def test_every_plan_keeps_every_constraint(planned, fleet):
    published, evidence = built(planned, fleet)
    assert Checker(published, evidence, made(published, evidence), days=DAYS).breaches() == []


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(fleet=fleets())
def test_the_same_input_gives_the_same_plan_and_so_does_a_plan_made_again(planned, fleet):
    published, evidence = built(planned, fleet)
    first = made(published, evidence)
    assert_frame_equal(made(published, evidence).work_plan, first.work_plan)
    again = made({**published, "work_plan": first.work_plan}, evidence)
    assert_frame_equal(again.work_plan.drop("reason"), first.work_plan.drop("reason"))


@pytest.mark.parametrize("hours", [6.0, 8.0])
def test_one_new_job_moves_at_most_one_in_twenty_of_the_others(planned, hours):
    chances = {f"v{n:02d}": (0.05 + 0.002 * (n % 7), 0.3 + 0.01 * (n % 11), 0.6 + 0.01 * (n % 13)) for n in range(60)}
    bays = [{"depot": "millrace", "bays": 2, "hours_per_day": hours, "days": "Mon-Fri"}]

    def of(names, before=None):
        published, evidence = planned({name: chances.get(name, (0.3, 0.6, 0.9)) for name in names}, bays=bays)
        evidence = replace(evidence, as_of=AS_OF)
        return made(published if before is None else {**published, "work_plan": before}, evidence).work_plan

    first = of(chances)
    second = of([*chances, "new"], first)
    assert "new" in second["vehicle_id"]
    both = first.join(second, on="vehicle_id", suffix=" now")
    moved = both.filter((pl.col("day") != pl.col("day now")) | (pl.col("start_at") != pl.col("start_at now"))).height
    assert moved + first.height - both.height <= 0.05 * first.height
