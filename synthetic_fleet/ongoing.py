"""A fleet in memory that lives up to a day, shows what was read until then, takes orders, and goes on."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import polars as pl

from synthetic_fleet import corrections as c
from synthetic_fleet.block import Calendar, Life, begin_life, calendar_of
from synthetic_fleet.constants import SUDDEN, Constants, constants_of
from synthetic_fleet.dirt import soil
from synthetic_fleet.frames import fault_frame, sheet_of, snapshot_frame, vehicle_frame, work_frame
from synthetic_fleet.scenario import Scenario, ScenarioError
from synthetic_fleet.tables import fleet_tables
from synthetic_fleet.vehicles import Act
from synthetic_fleet.workshop import ASKED_ABOVE

FAULTS = pl.Schema(
    {"vehicle_id": pl.String, "on": pl.Date, "code": pl.String, "cause": pl.String, "component": pl.String}
)


@dataclass(frozen=True, kw_only=True)
class OngoingFleet:
    """A fleet between its first and its last day.

    Attributes:
        constants: Of its scenario.
        life: Its vehicles, as one block.
        seed: Of the fleet.
    """

    constants: Constants
    life: Life
    seed: int

    @property
    def calendar(self) -> Calendar:
        """Its world."""
        return self.life.calendar

    @property
    def today(self) -> date:
        """The first day that is not lived yet."""
        return (self.calendar.start + timedelta(days=self.life.day)).date()

    def go_on(self, days: int) -> None:
        """Live so many days more, up to the last one.

        Raises:
            ScenarioError: the last day is lived already, or days is below 1.
        """
        if days < 1 or self.life.day >= self.calendar.days:
            raise ScenarioError(f"{days} days from {self.today}: nothing to live. Begin a fleet of more weeks.")
        self.life.go_on(min(self.life.day + days, self.calendar.days))

    def copied(self) -> "OngoingFleet":
        """The same fleet, free to live another future with the same luck."""
        return OngoingFleet(constants=self.constants, life=self.life.copied(), seed=self.seed)

    def without_planned_visits(self) -> None:
        """From now on nobody comes without a lamp or an order."""
        self.life.call_off("preventive")

    def order(self, vehicle_id: str, on: date, components: Sequence[str] = (), *, certain: bool = False) -> None:
        """A visit on a day to come: for these components, or without any a planned one that looks at everything.

        Args:
            vehicle_id: The fleet number.
            on: The day.
            components: What the visit is asked for.
            certain: What ails of them is found whatever the luck.

        Raises:
            ScenarioError: the vehicle is not known, or the day is lived already.
        """
        row = next((k for k, v in enumerate(self.life.lived.vehicles) if v.ident == vehicle_id), None)
        day = (on - self.calendar.start.date()).days
        if row is None or day < self.life.day:
            raise ScenarioError(
                f"{vehicle_id} on {on}: no such vehicle, or the day is past. Order it from {self.today}."
            )
        kind = "certain" if certain else "asked"
        act = Act(day, kind, tuple(components)) if components else Act(day, "preventive")
        self.life.order(row, act)

    def ailing(self) -> dict[str, set[str]]:
        """By vehicle: the components of which a visit that is asked for them would see now that they ail."""
        shop = self.life.lived.workshop
        return {
            vehicle.ident: {shop.component_of(row, slot) for slot in shop.ailing(row, above=ASKED_ABOVE)}
            for row, vehicle in enumerate(self.life.lived.vehicles)
        }

    def drops(self) -> dict[str, pl.DataFrame]:
        """The drop's tables of all that was read and done until now."""
        lived = self.life.so_far()
        sheet = sheet_of(lived, self.constants, self.calendar, self.seed)
        soil(sheet, lived, self.constants, self.calendar, self.seed)
        delivered = {
            "snapshots": snapshot_frame(sheet, c.CODES),
            "faults": fault_frame(lived, sheet, self.constants),
            "work": work_frame(lived),
            "vehicles": vehicle_frame(lived, self.constants, self.calendar),
        }
        tables = {name: frame.drop("delivered") for name, frame in delivered.items()}
        return {**tables, **fleet_tables(self.constants, self.calendar, self.seed)}

    def faults(self, since: datetime) -> pl.DataFrame:
        """Codes confirmed since a time, with what was worst then (columns of `FAULTS`; component: what cures it).

        The cause is `none` where nothing ailed.
        """
        vehicles, scenario = self.life.lived.vehicles, self.constants.scenario
        rows = [
            {
                "vehicle_id": vehicles[fault.row].ident,
                "on": (self.calendar.start + timedelta(days=fault.day)).date(),
                "code": self.constants.codes[fault.code],
                "cause": fault.cause,
                "component": scenario["causes"].get(fault.cause, {}).get("component", "engine"),
                "sudden": fault.cause == SUDDEN,
            }
            for fault in self.life.lived.fault_sets
            if self.calendar.start + timedelta(days=fault.day) >= since
        ]
        return pl.DataFrame(rows, schema={**FAULTS, "sudden": pl.Boolean})


def begin_fleet(scenario: Scenario, *, vehicles: int, weeks: int, seed: int) -> OngoingFleet:
    """A fleet on its first day, the burn-in before it lived.

    Args:
        scenario: From `read_scenario`.
        vehicles: How many.
        weeks: How long it can live.
        seed: Same seed, same fleet; the same as `simulate_frames` makes of it where nothing is ordered.

    Raises:
        ScenarioError: nothing to simulate.
    """
    if vehicles < 1 or weeks < 1:
        raise ScenarioError(f"{vehicles} vehicles, {weeks} weeks: nothing to simulate. Give at least 1 of each.")
    constants = constants_of(scenario)
    life = begin_life(constants, calendar_of(scenario, weeks=weeks, seed=seed), range(vehicles), seed)
    life.go_on(0)
    return OngoingFleet(constants=constants, life=life, seed=seed)
