"""What workshops do to a vehicle: visits after a lamp, preventive visits, lost power, new calibrations and modules."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from synthetic_fleet import corrections as c
from synthetic_fleet import defects
from synthetic_fleet.fleet import Constants, Rows

CIRCUIT_PARTS = (
    "intake_air_sensor", "coolant_sensor", "air_mass_sensor", "crank_sensor", "cam_sensor", "ignition", "injector",
    "o2_upstream", "speed_sensor", "wiring", "module", "throttle_body",
)  # fmt: skip


@dataclass
class Log:
    """What happened in a block: rows of the drop's `work` and of the truth."""

    work: list[dict[str, Any]] = field(default_factory=list)
    defects: list[dict[str, Any]] = field(default_factory=list)
    repairs: list[dict[str, Any]] = field(default_factory=list)


@dataclass
class Workshop:
    """The workshops of all depots at work on one block of vehicles."""

    constants: Constants
    rows: Rows
    ids: list[str]
    rngs: list[np.random.Generator]
    start: datetime
    log: Log = field(default_factory=Log)
    open_defects: dict[tuple[int, int], dict[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.scenario = self.constants.scenario
        self.causes = defects.cause_names(self.scenario)
        self.families = list(self.scenario["families"].values())
        self.depots = list(self.scenario["depots"].values())
        self.depot_names = list(self.scenario["depots"])

    def begin(self, row: int, defect: defects.Defect) -> None:
        """A defect starts."""
        slot = defects.put(self.rows, row, defect, self.causes)
        if slot < 0:
            return
        word = defect.cause
        entry = {
            "vehicle_id": self.ids[row],
            "cause": word,
            "bank": self._bank(row, word, defect.place),
            "cylinder": defect.place + 1 if self._is_cylinder(word, defect) else None,
            "onset_at": self.start + timedelta(days=defect.day, hours=12),
            "law": defects.LAWS[defect.law],
            "rate_per_day": defect.rate,
            "level": defect.level,
            "ended_at": None,
            "ended": "open",
        }
        self.log.defects.append(entry)
        self.open_defects[row, slot] = entry

    def _is_cylinder(self, cause: str, defect: defects.Defect) -> bool:
        return defect.place >= 0 and self._word(cause, defect) == "cylinder"

    def _word(self, cause: str, defect: defects.Defect) -> str:
        if cause == defects.SUDDEN:
            return "circuit"
        words = [variant["place"] for variant in self.scenario["causes"][cause]["variants"]]
        return "cylinder" if "cylinder" in words else words[0]

    def _bank(self, row: int, cause: str, place: int) -> int | None:
        if place < 0 or cause == defects.SUDDEN:
            return None
        word = self.scenario["causes"][cause]["variants"][-1]["place"]
        family = self.families[self.rows.family_of[row]]
        words = [variant["place"] for variant in self.scenario["causes"][cause]["variants"]]
        if "cylinder" in words:
            return int(family["bank_of_cylinder"][place])
        return place // 2 + 1 if word == "cam" else place + 1

    def end(self, row: int, slot: int, day: int, how: str) -> None:
        """A defect ends."""
        entry = self.open_defects.pop((row, slot), None)
        if entry is not None:
            entry["ended_at"] = self.start + timedelta(days=day, hours=12)
            entry["ended"] = how
        defects.take_out(self.rows, row, slot)

    def after_lamp(self, row: int, day: int) -> None:
        """A visit because of a stored code: find the cause, mostly; mend it, mostly."""
        rng, rows = self.rngs[row], self.rows
        standing = np.flatnonzero(rows.status[row] == 2)
        if not len(standing):
            return
        acting = [slot for slot in range(rows.law.shape[1]) if rows.law[row, slot] >= 0]
        if not acting:
            self._work(row, day, "inspection", "engine", None, None, labour=0.5, cause="no_fault_found", codes=True)
            self.clear_codes(row)
            return
        slot = max(acting, key=lambda s: float(rows.severity[row, s]))
        if rng.random() < self.scenario["workshop"]["right_part"]:
            self.mend(row, slot, day, "repair_after_fault")
        else:
            wrong = str(rng.choice(["o2_upstream", "ignition", "air_mass_sensor", "injector", "fuel_pump"]))
            self._work(row, day, "replacement", wrong, None, None, labour=1.0, cause=None, codes=True)
            self.clear_codes(row)

    def preventive(self, row: int, day: int) -> None:
        """A planned visit; now and then it finds what is growing."""
        rng, rows = self.rngs[row], self.rows
        found = [s for s in range(rows.law.shape[1]) if rows.law[row, s] >= 0 and rows.severity[row, s] > 0.45]
        for slot in found:
            if rng.random() < self.scenario["workshop"]["preventive_finds"]:
                self.mend(row, slot, day, "preventive_repair")
                return
        self._work(row, day, "inspection", "engine", None, None, labour=1.5, cause=None, codes=False)

    def mend(self, row: int, slot: int, day: int, why: str) -> None:
        """Replace the part behind a defect; mostly with a reset, mostly for good."""
        rng, rows = self.rngs[row], self.rows
        cause = self.causes[rows.cause[row, slot]]
        place = int(rows.place[row, slot])
        entry = self.open_defects.get((row, slot), {})
        if cause == defects.SUDDEN:
            component, labour = CIRCUIT_PARTS[place], 1.0
        else:
            component = self.scenario["causes"][cause]["component"]
            labour = self.scenario["causes"][cause]["labour_hours"]
        self.end(row, slot, day, why)
        reset = rng.random() >= self.depots[rows.depot_of[row]]["unreset_share"]
        recorded = "other" if cause == defects.SUDDEN else cause
        if rng.random() >= self.scenario["workshop"]["cause_recorded"]:
            recorded = None
        self._work(
            row, day, "replacement", component, entry.get("bank"), entry.get("cylinder"), labour=labour,
            cause=recorded, codes=True, reset=reset,
        )  # fmt: skip
        self.clear_codes(row)
        if reset:
            self.reset(row)
        holds = rng.random() < self.scenario["workshop"]["holds"] or cause == defects.SUDDEN
        self.log.repairs.append(
            {"vehicle_id": self.ids[row], "done_at": self.log.work[-1]["done_at"], "cause": cause, "component": component,
             "held": holds, "reset": reset, "why": why}
        )  # fmt: skip
        if not holds:
            family = self.families[rows.family_of[row]]
            again = defects.make(self.scenario, family, cause, day + int(rng.integers(5, 40)), rng, law="steady")
            self.returning.append((again.day, row, again))

    returning: list[tuple[int, int, defects.Defect]] = field(default_factory=list)

    def reset(self, row: int) -> None:
        """All learned values back to neutral."""
        self.rows.learned[row] = 0.0
        self.rows.deviation[row] = 0.0

    def clear_codes(self, row: int) -> None:
        """The fault memory and its counters emptied; on some families the learned values go with them."""
        rows = self.rows
        rows.status[row] = 0
        rows.clean[row] = 0.0
        rows.occurrences[row] = 0
        rows.warmups[row] = 0.0
        rows.distance_clear[row] = 0.0
        if self.families[rows.family_of[row]]["codes_clear_resets"]:
            self.reset(row)

    def lose_power(self, row: int, day: int) -> None:
        """The battery was off: the clock restarts, and what the family loses is lost."""
        rng, rows = self.rngs[row], self.rows
        empties = self.families[rows.family_of[row]]["power_loss_empties"]
        rows.clock[row] = 0.0
        if "codes" in empties:
            rows.status[row] = 0
            rows.clean[row] = 0.0
            rows.occurrences[row] = 0
            rows.warmups[row] = 0.0
            rows.distance_clear[row] = 0.0
        if "values" in empties:
            self.reset(row)
        if rng.random() < 0.5:
            self._work(row, day, "power_loss", "battery", None, None, labour=0.3, cause=None, codes=None)

    def _work(
        self, row: int, day: int, kind: str, component: str, bank: int | None, cylinder: int | None, *, labour: float,
        cause: str | None, codes: bool | None, reset: bool | None = None,
    ) -> None:  # fmt: skip
        rng = self.rngs[row]
        depot = self.depot_names[self.rows.depot_of[row]]
        self.log.work.append(
            {
                "vehicle_id": self.ids[row],
                "done_at": self.start + timedelta(days=day, hours=7, minutes=int(rng.integers(0, 120))),
                "kind": kind,
                "component": component,
                "bank": bank,
                "cylinder": cylinder,
                "part_number": f"{component.upper()[:4]}-{1 + self.rows.family_of[row]}"
                if kind == "replacement"
                else None,
                "part_batch": f"{component[:2].upper()}{day // 60:03d}" if kind == "replacement" else None,
                "workshop": f"{depot} workshop",
                "technician": f"T{int(rng.integers(1, 5))}-{depot[:2].upper()}",
                "odometer_km": round(float(self.rows.km[row])),
                "cost": round(60.0 * labour + float(rng.uniform(20, 300)) * (kind == "replacement"), 2),
                "labour_hours": labour,
                "reset_done": reset,
                "codes_cleared": codes,
                "warranty": bool(rng.random() < 0.1),
                "cause": cause,
                "complaint": "warning lamp" if codes else None,
                "note": None,
            }
        )


_ = c
