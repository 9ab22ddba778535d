"""Work since each vehicle's newest reading, and what of that reading it leaves without meaning. Frames in and out.

A reading from before a repair tells of the part that was there then. What was repaired, replaced or set back since no
longer counts against the vehicle, until it is read again; an inspection changes nothing.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl

from pipelines.causes.affected import FamilyPlaces, family_places
from pipelines.causes.knowledge import causes
from pipelines.figure_words import day_words
from pipelines.handover import Bools, Evidence
from pipelines.history.fault_events import CLEARING, HANDS_ON

SETS_BACK = ("reset", "module_replacement", "programming")  # whatever the module had learned, of every part


@dataclass(frozen=True, kw_only=True)
class SinceReading:
    """What was done to vehicles after their newest readings.

    work: one row per piece of work, by time: `vehicle_id, done_at, kind, component, bank, cylinder, cause,
        hands_on` (on a part), `all_parts` (everything learned was set back, or nobody says what was worked on),
        `clears` (the fault memory was emptied), `last_read_at`.
    corrections: `vehicle_id, correction`: what these vehicles last read of them is from before work on their part.
    codes: `vehicle_id, code` (without failure type): codes that the work was about, be they cleared or not.
    """

    work: pl.DataFrame
    corrections: pl.DataFrame
    codes: pl.DataFrame

    def worked_on(self) -> pl.DataFrame:
        """vehicle_id and worked_on_at, the newest of such work."""
        return self.work.group_by("vehicle_id").agg(worked_on_at=pl.col("done_at").max())

    def left_out(self, vehicles: tuple[str, ...], codes: tuple[str, ...]) -> Bools:
        """[V, C] corrections whose newest reading is from before work on their part."""
        is_left_out = np.zeros((len(vehicles), len(codes)), dtype=np.bool_)
        row = {vehicle: v for v, vehicle in enumerate(vehicles)}
        column = {code: c for c, code in enumerate(codes)}
        for vehicle, code in self.corrections.iter_rows():
            if vehicle in row and code in column:
                is_left_out[row[vehicle], column[code]] = True
        return is_left_out

    def words(self, as_of: datetime) -> dict[str, str]:
        """By vehicle: 'Worked on 2 July, not read since'."""
        return {
            vehicle: f"Worked on {day_words(at, as_of)}, not read since"
            for vehicle, at in self.worked_on().sort("vehicle_id").iter_rows()
        }


def since_reading(evidence: Evidence) -> SinceReading:
    """Repairs, replacements, resets and cleared codes after the newest reading of each vehicle that was ever read.

    Which corrections work on a part leaves without meaning: those of the part, and those that a cause in that part
    moves (of the cause that the work names, where it names one), on the bank or cylinder that it names. A reset,
    another module and programming leave none with a meaning, nor does work on nobody says what.
    """
    work = _work_since(evidence)
    corrections: list[tuple[str, str]] = []
    codes: list[tuple[str, str]] = []
    for family, places in _places(work, evidence).items():
        for row in work.filter(pl.col("engine_family") == family).iter_rows(named=True):
            about = _about(places, row)
            corrections += [(row["vehicle_id"], places.codes[c]) for c in np.flatnonzero(about | row["set_back"])]
            if row["hands_on"]:
                codes += [(row["vehicle_id"], code) for code in sorted(_codes(places, about, row))]
    return SinceReading(
        work=work.drop("engine_family"),
        corrections=_pairs(corrections, "correction"),
        codes=_pairs(codes, "code"),
    )


def _work_since(evidence: Evidence) -> pl.DataFrame:
    newest = evidence.snapshots.group_by("vehicle_id").agg(last_read_at=pl.col("read_at").max())
    hands_on = pl.col("kind").is_in(HANDS_ON)
    unsaid = hands_on & pl.col("component").is_null() & ~pl.col("cause").is_in(list(causes())).fill_null(value=False)
    set_back = pl.col("kind").is_in(SETS_BACK) | pl.col("reset_done").fill_null(value=False)
    return (
        evidence.work.join(newest, on="vehicle_id")
        .filter(pl.col("done_at") > pl.col("last_read_at"), pl.col("kind").is_in([*HANDS_ON, *CLEARING]))
        .join(evidence.vehicles.select("vehicle_id", "engine_family"), on="vehicle_id")
        .select(
            "vehicle_id", "engine_family", "done_at", "kind", "component", "bank", "cylinder", "cause", "last_read_at",
            hands_on=hands_on, unsaid=unsaid, set_back=set_back,
            clears=pl.col("kind").is_in(CLEARING) | pl.col("codes_cleared").fill_null(value=False),
        )
        .sort("vehicle_id", "done_at", "kind", "component")
    )  # fmt: skip


def _places(work: pl.DataFrame, evidence: Evidence) -> dict[str, FamilyPlaces]:
    """Of each family with such work: which corrections belong to which part, of those that these vehicles ever read."""
    known = [code for code in evidence.corrections["code"] if code in evidence.snapshots.columns]
    of_family = evidence.snapshots.join(work.select("vehicle_id", "engine_family").unique(), on="vehicle_id")
    read = of_family.group_by("engine_family").agg(pl.col(known).count()).sort("engine_family")
    return {
        row["engine_family"]: family_places(
            tuple(code for code in known if row[code]),
            row["engine_family"],
            corrections=evidence.corrections,
            families=evidence.families,
        )
        for row in read.iter_rows(named=True)
    }


def _about(places: FamilyPlaces, work: dict[str, Any]) -> Bools:
    """[C] corrections of the part that was worked on, and those that a cause in it moves."""
    if work["unsaid"]:
        return np.ones(len(places.codes), np.bool_)
    return places.asked(work) if work["hands_on"] else np.zeros(len(places.codes), np.bool_)


def _codes(places: FamilyPlaces, about: Bools, work: dict[str, Any]) -> set[str]:
    """Codes that the corrections in question set, and that the causes in the part that was worked on set."""
    codes = {code[:5] for c in np.flatnonzero(about) for code in places.fault_codes[c]}
    for cause in causes().values():
        if work["unsaid"] or cause.id == work["cause"] or work["component"] in cause.components:
            codes |= {entry.code for entry in cause.codes if _same_place(entry.bank, entry.cylinder, work)}
    return codes


def _same_place(bank: int | None, cylinder: int | None, work: dict[str, Any]) -> bool:
    return all(
        ours is None or worked is None or ours == worked
        for ours, worked in ((bank, work["bank"]), (cylinder, work["cylinder"]))
    )


def _pairs(rows: list[tuple[str, str]], name: str) -> pl.DataFrame:
    schema = {"vehicle_id": pl.String, name: pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row").unique().sort("vehicle_id", name)
