"""The drop's tables that describe a fleet, not its readings: families, calibrations, parts, bays, plans, notes."""

from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl

from synthetic_fleet import world
from synthetic_fleet.block import Calendar, Lived
from synthetic_fleet.constants import Constants
from synthetic_fleet.frames import TIME
from synthetic_fleet.state import NEVER


def fleet_tables(constants: Constants, calendar: Calendar, seed: int) -> dict[str, pl.DataFrame]:
    """Tables that do not grow with the fleet, by name."""
    scenario = constants.scenario
    families = [
        {
            "engine_family": name,
            "cylinders": entry["cylinders"],
            "banks": max(entry["bank_of_cylinder"]),
            "bank_of_cylinder": " ".join(f"{k + 1}:{bank}" for k, bank in enumerate(entry["bank_of_cylinder"])),
            "firing_order": entry["firing_order"],
            "fitted": entry["fitted"],
            "fuel": entry["fuel"],
        }
        for name, entry in scenario["families"].items()
    ]
    parts = [{"component": name, **entry} for name, entry in scenario["components"].items()]
    year = calendar.start.year
    closed = "|".join(f"{y}-{month:02d}-{day:02d}" for y in range(year, year + 4) for month, day in world.HOLIDAYS)
    bays = [
        {"depot": name, "bays": entry["bays"], "hours_per_day": 8.0, "days": "Mon-Fri", "closed_on": closed}
        for name, entry in scenario["depots"].items()
    ]
    return {
        "families": pl.DataFrame(families),
        "calibrations": calibrations(constants, calendar),
        "components": pl.DataFrame(parts),
        "bays": pl.DataFrame(bays),
        "notes": notes(constants, calendar, seed),
    }


def calibrations(constants: Constants, calendar: Calendar) -> pl.DataFrame:
    """The calibrations of every family with their release; the first ones came with the vehicles."""
    rows = []
    for name, entry in constants.scenario["families"].items():
        before = None
        for one in entry["calibrations"]:
            released = (calendar.start + timedelta(days=one["released_day"])).date()
            rows.append({"engine_family": name, "calibration": one["name"], "released_on": released})
            rows[-1] |= {"supersedes": before, "note": one["note"]}
            before = one["name"]
    return pl.DataFrame(rows, infer_schema_length=None)


def notes(constants: Constants, calendar: Calendar, seed: int) -> pl.DataFrame:
    """What people wrote down: changes of the blend, and bad fuel that a depot noticed."""
    scenario = constants.scenario
    rows = []
    for day in range(calendar.days):
        today = calendar.start + timedelta(days=day)
        if (today.month, today.day) in ((4, 15), (10, 15)):
            blend = "summer" if today.month == 4 else "winter"
            rows.append({"at": today, "about": "fleet", "text": f"supplier changes to {blend} fuel"})
    for depot in scenario["depots"]:
        for day, _ in world.bad_tanks(scenario, depot, (-calendar.burn_in, calendar.days), seed):
            if 0 <= day < calendar.days - 10:
                at = calendar.start + timedelta(days=day + 9)
                rows.append({"at": at, "about": depot, "text": "complaints about the last fuel delivery"})
    return pl.DataFrame(rows, schema={"at": TIME, "about": pl.String, "text": pl.String}).sort("at", "about")


def planning(lived: Lived, calendar: Calendar, seed: int) -> dict[str, pl.DataFrame]:
    """For the weeks after the last day: when each vehicle can be spared, and what service is due anyway."""
    spared, due = [], []
    end = calendar.start + timedelta(days=calendar.days)
    for vehicle in lived.vehicles:
        rng = np.random.default_rng([seed, vehicle.number, 6])
        if vehicle.retired < NEVER:
            continue
        for day in sorted(rng.choice(28, 4, replace=False)):
            begin = end + timedelta(days=int(day), hours=6)
            spared.append({"vehicle_id": vehicle.ident, "from_at": begin, "to_at": begin + timedelta(hours=12)})
        on = (end + timedelta(days=int(rng.integers(1, 150)))).date()
        due.append({"vehicle_id": vehicle.ident, "service": "oil service", "due_on": on, "labour_hours": 1.2})
    times: dict[str, Any] = {"vehicle_id": pl.String, "from_at": TIME, "to_at": TIME}
    services: dict[str, Any] = {
        "vehicle_id": pl.String,
        "service": pl.String,
        "due_on": pl.Date,
        "labour_hours": pl.Float64,
    }
    return {"availability": pl.DataFrame(spared, schema=times), "due": pl.DataFrame(due, schema=services)}
