"""What workshops do to a vehicle: visits after a lamp, planned visits, parts right and wrong, resets or none."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from synthetic_fleet import defects
from synthetic_fleet.constants import SUDDEN, Constants, longest_prefix
from synthetic_fleet.growth import LAWS
from synthetic_fleet.module import CONFIRMED
from synthetic_fleet.state import Fleet, taken
from synthetic_fleet.vehicles import Act, Vehicle

ASKED_ABOVE = 0.15  # severity from which a check of the very component shows it (judgement)


@dataclass(frozen=True, kw_only=True)
class Job:
    """One row of work to be."""

    kind: str
    component: str
    labour: float
    bank: int | None = None
    cylinder: int | None = None
    batch: str | None = None
    reset: bool | None = None
    codes: bool | None = None
    cause: str | None = None
    complaint: str | None = None
    note: str | None = None


@dataclass
class Workshop:
    """The workshops of all depots at work on one block of vehicles; everything it does to them is kept here."""

    constants: Constants
    fleet: Fleet
    vehicles: list[Vehicle]
    start: datetime
    work: list[dict[str, Any]] = field(default_factory=list)
    happenings: list[dict[str, Any]] = field(default_factory=list)  # truth: resets, power losses, calibrations, modules
    ailments: list[dict[str, Any]] = field(default_factory=list)  # truth: every defect with its begin and end
    repairs: list[dict[str, Any]] = field(default_factory=list)  # truth: what each repair was worth
    ghosts: list[tuple[int, int, Fleet]] = field(default_factory=list)  # day, row, state before a repair: to live on
    standing: dict[tuple[int, int], dict[str, Any]] = field(default_factory=dict)  # ailments by row and slot

    def begin(self, row: int, defect: defects.Defect) -> None:
        """A defect starts."""
        slot = defects.put(self.fleet.defects, row, defect, self.constants.causes)
        if slot < 0:
            return
        entry = {
            "vehicle_id": self.vehicles[row].ident,
            "defect": f"{self.vehicles[row].ident}/{len(self.ailments)}",
            "cause": defect.cause,
            "bank": defect.bank,
            "cylinder": defect.cylinder,
            "onset_at": self.at(defect.day),
            "law": LAWS[defect.law],
            "rate_per_day": defect.rate,
            "level": defect.level,
            "ended_at": None,
            "ended": "open",
        }
        self.ailments.append(entry)
        self.standing[row, slot] = entry

    def end(self, row: int, slot: int, day: int, how: str) -> dict[str, Any]:
        """A defect ends; what is kept of it."""
        entry = self.standing.pop((row, slot))
        entry["ended_at"], entry["ended"] = self.at(day), how
        defects.take_out(self.fleet.defects, row, slot)
        return entry

    def at(self, day: int, hour: float = 8.0) -> datetime:
        """Time of a day."""
        return self.start + timedelta(days=day, hours=hour)

    def ailing(self, row: int, above: float = -1.0) -> list[int]:
        """Slots of the defects of a row whose severity is above a value, worst first."""
        state = self.fleet.defects
        slots = [s for s in range(state.law.shape[1]) if state.law[row, s] >= 0 and state.severity[row, s] > above]
        return sorted(slots, key=lambda slot: -float(state.severity[row, slot]))

    def after_lamp(self, row: int, day: int) -> list[Act]:
        """A visit because of stored codes: the cause is found and mended, mostly. What follows from it, later."""
        rng = self.vehicles[row].rng
        if not np.any(self.fleet.memory.status[row] == CONFIRMED):
            return []  # erased itself before anybody looked
        shop = self.constants.scenario["workshop"]
        slots = self.ailing(row)
        if not slots:
            job = Job(kind="inspection", component="engine", labour=0.5, codes=True, cause="no_fault_found")
            self.write(row, day, job)
            self.clear_codes(row, day)
            return []
        if rng.random() < shop["right_part"]:
            return self.mend(row, slots[0], day, "after_fault")
        self.replace_wrong(row, slots[0], day)
        return []

    def preventive(self, row: int, day: int) -> list[Act]:
        """A planned visit; now and then it finds what is growing."""
        rng = self.vehicles[row].rng
        for slot in self.ailing(row, above=0.4):
            if rng.random() < self.constants.scenario["workshop"]["preventive_finds"]:
                return self.mend(row, slot, day, "preventive")
        self.write(row, day, Job(kind="inspection", component="engine", labour=1.5))
        return []

    def asked(self, row: int, day: int, components: tuple[str, ...], *, certain: bool = False) -> list[Act]:
        """A visit for these components: what ails of them is mostly found. Where nothing does, a planned visit."""
        rng, finds = self.vehicles[row].rng, self.constants.scenario["workshop"]["asked_finds"]
        for slot in self.ailing(row, above=ASKED_ABOVE):
            if self.component_of(row, slot) in components and (certain or rng.random() < finds):
                return self.mend(row, slot, day, "preventive")
        return self.preventive(row, day)

    def component_of(self, row: int, slot: int) -> str:
        """What cures a defect."""
        cause = self.constants.causes[self.fleet.defects.cause[row, slot]]
        place = int(self.fleet.defects.place[row, slot])
        entry = (
            self.constants.scenario["circuits"][place] if cause == SUDDEN else self.constants.scenario["causes"][cause]
        )
        return str(entry["component"])

    def replace_wrong(self, row: int, slot: int, day: int) -> None:
        """A part that had nothing to do with it; the codes are cleared and come back."""
        vehicle, scenario = self.vehicles[row], self.constants.scenario
        family = self.constants.families[vehicle.family]
        true = self.constants.causes[self.fleet.defects.cause[row, slot]]
        guesses = [name for name, rate in defects.rates(scenario, family, {}).items() if rate > 0 and name != true]
        guess = str(vehicle.rng.choice(guesses))
        entry = scenario["causes"][guess]
        recorded = guess if vehicle.rng.random() < scenario["workshop"]["wrong_cause_recorded"] else None
        self.write(
            row,
            day,
            Job(
                kind=entry.get("work", "replacement"),
                component=entry["component"],
                labour=entry["labour_hours"],
                codes=True,
                cause=recorded,
                complaint="warning lamp",
                reset=False,
            ),
        )
        self.clear_codes(row, day)
        self.judge(row, true, entry["component"], right=False, held=False, reset=False, why="after_fault")

    def mend(self, row: int, slot: int, day: int, why: str) -> list[Act]:
        """Mend what is behind a defect: mostly with a reset, mostly for good. What follows from it, later."""
        vehicle, scenario = self.vehicles[row], self.constants.scenario
        rng, shop = vehicle.rng, scenario["workshop"]
        self.ghosts.append((day, row, taken(self.fleet, np.array([row]))))
        cause = self.constants.causes[self.fleet.defects.cause[row, slot]]
        place = int(self.fleet.defects.place[row, slot])
        entry = scenario["circuits"][place] if cause == SUDDEN else scenario["causes"][cause]
        ailment = self.end(row, slot, day, why)
        depot = list(scenario["depots"].values())[vehicle.depot]
        reset = bool(rng.random() >= depot["unreset_share"])
        recorded = "other" if cause == SUDDEN else cause
        batch, fails = self.batch(entry["component"], day, rng)
        self.write(
            row,
            day,
            Job(
                kind=entry.get("work", "replacement"),
                component=entry["component"],
                labour=entry.get("labour_hours", 1.0),
                bank=ailment["bank"],
                cylinder=ailment["cylinder"],
                batch=batch,
                reset=reset,
                codes=True,
                cause=recorded if rng.random() < shop["cause_recorded"] else None,
                complaint="warning lamp" if why == "after_fault" else None,
                note="Teil geprüft, 20 °C" if rng.random() < 0.05 else None,
            ),
        )
        self.clear_codes(row, day)
        if entry["component"] == "catalyst":
            self.fleet.vehicles.burnt[row] = 0.0
        if reset:
            self.reset(row, day, "reset", recorded=True)
        held = cause == SUDDEN or not (fails or rng.random() >= shop["holds"])
        self.judge(row, cause, entry["component"], right=True, held=held, reset=reset, why=why)
        return self._follows(row, day, cause, batch if fails else None, held=held)

    def _follows(self, row: int, day: int, cause: str, bad_batch: str | None, *, held: bool) -> list[Act]:
        vehicle, scenario = self.vehicles[row], self.constants.scenario
        family, rng = self.constants.families[vehicle.family], vehicle.rng
        later = []
        if not held:
            span = scenario["workshop"]["returns_days"]
            for entry in scenario["bad_batches"]:
                span = entry["within_days"] if entry["batch"] == bad_batch else span
            again = defects.make(scenario, family, cause, day + int(rng.integers(*span)), rng, law="step")
            later.append(Act(again.day, "begin", again))
        exhaust = scenario["causes"].get(cause, {}).get("component") in ("exhaust_manifold", "catalyst", "o2_upstream")
        if exhaust and "bank2" in family["fitted"] and rng.random() < scenario["workshop"]["sensors_swapped_share"]:
            swapped = defects.make(scenario, family, "o2_sensors_swapped", day + 1, rng, law="step")
            later.append(Act(swapped.day, "begin", swapped))
        return later

    def batch(self, component: str, day: int, rng: np.random.Generator) -> tuple[str, bool]:
        """Batch of the part that is fitted, and whether it will fail early."""
        for entry in self.constants.scenario["bad_batches"]:
            first, last = entry["days"]
            if entry["component"] == component and first <= day < last and rng.random() < entry["share"]:
                return entry["batch"], bool(rng.random() < entry["fails"])
        letters = "".join(word[0] for word in component.split("_")).upper()
        return f"{letters}-{'ABC'[int(rng.integers(3))]}{(day + 400) // 60:03d}", False

    def judge(self, row: int, cause: str, component: str, *, right: bool, held: bool, reset: bool, why: str) -> None:
        """Keep what a repair was worth."""
        self.repairs.append(
            {
                "vehicle_id": self.vehicles[row].ident,
                "done_at": self.work[-1]["done_at"],
                "component": component,
                "true_cause": cause,
                "right": right,
                "held": held,
                "reset": reset,
                "why": why,
                "part_batch": self.work[-1]["part_batch"],
            }
        )

    def reset(self, row: int, day: int, what: str, *, recorded: bool) -> None:
        """All learned values back to neutral."""
        vehicles = self.fleet.vehicles
        for values in (vehicles.learned, vehicles.deviation):
            values[row] = 0.0
        self.happen(row, day, what, recorded=recorded)

    def happen(self, row: int, day: int, what: str, *, recorded: bool, detail: str | None = None) -> None:
        """Keep that something happened to a module."""
        ident = self.vehicles[row].ident
        self.happenings.append(
            {"vehicle_id": ident, "at": self.at(day), "what": what, "recorded": recorded, "detail": detail}
        )

    def clear_codes(self, row: int, day: int) -> None:
        """The fault memory and its counters emptied; on some families the learned values go with them."""
        self.empty_memory(row)
        if self.constants.families[self.vehicles[row].family]["codes_clear_resets"]:
            self.reset(row, day, "codes_cleared", recorded=True)

    def empty_memory(self, row: int) -> None:
        """No code, counters at zero."""
        memory, vehicles = self.fleet.memory, self.fleet.vehicles
        memory.status[row] = 0
        memory.present[row] = False
        memory.clean[row] = 0.0
        memory.occurrences[row] = 0
        vehicles.warmups[row] = 0.0
        vehicles.cleared_km[row] = vehicles.km[row]

    def write(self, row: int, day: int, job: Job) -> None:
        """A row of work."""
        vehicle, scenario = self.vehicles[row], self.constants.scenario
        rng, costs = vehicle.rng, scenario["workshop"]["costs"]
        depot = list(scenario["depots"])[vehicle.depot]
        part = job.kind in ("replacement", "module_replacement")
        spent = costs["hour"] * job.labour + (rng.uniform(costs["part_low"], costs["part_high"]) if part else 0.0)
        self.work.append(
            {
                "vehicle_id": vehicle.ident,
                "done_at": self.at(day, 7.0) + timedelta(minutes=int(rng.integers(0, 180))),
                "kind": job.kind,
                "component": job.component,
                "bank": job.bank,
                "cylinder": job.cylinder,
                "part_number": f"{job.component[:3].upper()}-{11 + vehicle.family}" if part else None,
                "part_batch": job.batch if part else None,
                "workshop": f"{depot} workshop",
                "technician": f"{depot[:2].upper()}{int(rng.integers(1, 6))}",
                "odometer_km": round(float(self.fleet.vehicles.km[row])),
                "cost": round(float(spent), 2),
                "labour_hours": job.labour,
                "reset_done": job.reset,
                "codes_cleared": job.codes,
                "warranty": bool(rng.random() < 0.1),
                "cause": job.cause,
                "complaint": job.complaint,
                "note": job.note,
            }
        )

    def breaks_down(self, row: int, day: int, code: str) -> bool:
        """Whether a code strands the vehicle on the road; if so, that is written down."""
        share = longest_prefix(code, self.constants.scenario["workshop"]["stranding"])
        stranded = bool(self.vehicles[row].rng.random() < share)
        if stranded:
            self.write(
                row, day, Job(kind="breakdown", component="engine", labour=0.0, complaint="stranded on the road")
            )
        return stranded
