"""Whether repairs held: work rows and the readings around them in, the contract's `repair_outcome` out."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType
from typing import Any

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.affected import FamilyPlaces, family_places
from pipelines.causes.departure_noise import deviation_noise
from pipelines.causes.knowledge import causes
from pipelines.figure_words import percent
from pipelines.handover import Bools, Drift, Evidence, FamilyDrift, Float64s, History
from pipelines.recurring.around import (
    ENOUGH_HOURS,
    ENOUGH_READINGS,
    OFF,
    STILL,
    Around,
    Works,
    around,
    nothing_read,
)
from pipelines.recurring.fault_codes import Event, by_vehicle, returned, stood
from pipelines.recurring.pieces import pieces_of_work
from pipelines.recurring.warranty import WARRANTY, with_warranty

AGAIN = 0.25  # share of the earlier departure that counts as back where it grows
STALE = 0.3  # share of it found at the first reading after, from which the learned value was not set back
SEEN = 3.0  # healthy scatters that this share must come to
ABOUT = ("component", "cause", "bank", "cylinder")  # what says which corrections tell whether work did what it should
LEARNS_NOTHING = ("reset", "module_replacement", "programming")  # kinds after which nothing stale can be left
# Beside the contract's columns: from when the verdict can be given (of one that cannot yet: when it is expected to),
# since when the trouble is back, and what was done with which part.
EXTRA = {
    "decided_at": pl.Datetime("us", "UTC"), "back_at": pl.Datetime("us", "UTC"), "kind": pl.String(),
    "cause": pl.String(), "part_number": pl.String(), "part_batch": pl.String(), "workshop": pl.String(),
    "odometer_km": pl.Float64(), "part_failed": pl.Boolean(), **WARRANTY,
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What became of one piece of work."""

    word: str
    evidence: str
    decided_at: datetime | None
    back_at: datetime | None = None
    part_failed: bool | None = None  # of what came back: the part itself; False: it was never the trouble


def repair_outcomes(
    drift: Drift, *, evidence: Evidence, history: History, noise: Mapping[str, Float64s] = MappingProxyType({})
) -> pl.DataFrame:  # fmt: skip
    """The contract's `repair_outcome`: one row per vehicle, time and component that work was done on.

    Args:
        drift: Readings and deviations of every family.
        evidence: Work rows and the catalogue.
        history: Fault events.
        noise: By family how its deviations scatter, [C] (`deviation_noise`); of all others these tell.

    Returns:
        Rows sorted by key, with the columns of EXTRA behind the contract's. Rows of work without a reading between them
        are one visit: one row a component, dated by its last row. A reset without a component belongs to the components
        mended in its visit; where there is none, the component is `unspecified`.
    """
    titles = dict(evidence.corrections.select("code", "title").iter_rows())
    titles |= dict(evidence.components.select("component", "title").iter_rows())
    events = by_vehicle(history.fault_events)
    pieces = pieces_of_work(evidence, history.readings)
    read = {n: what for family in drift.families for n, what in _read_around(family, pieces, evidence, noise)}
    rows = []
    for number, work in enumerate(pieces.iter_rows(named=True)):
        own = events.get(work["vehicle_id"], [])
        came_with = stood(own, work["done_at"])
        seen, codes = read.get(number) or (nothing_read(), frozenset())
        back = returned(own, codes | came_with, work)
        verdict = _verdict(work, seen, back, titles, own_codes=codes, came_for_it=bool(came_with))
        rows.append(
            {
                **{name: work[name] for name in ("vehicle_id", "done_at", *EXTRA) if name in work},
                "component": work["component"] or "unspecified",
                "verdict": verdict.word,
                "checked_at": seen.last_at or evidence.as_of,
                "evidence": verdict.evidence,
                "decided_at": verdict.decided_at,
                "back_at": verdict.back_at,
                "part_failed": verdict.part_failed,
            }
        )
    contract = published_tables()["repair_outcome"].schema
    schema = pl.Schema({**contract, **EXTRA})
    judged = pl.DataFrame(rows, schema=pl.Schema({n: t for n, t in schema.items() if n not in WARRANTY}))
    return with_warranty(judged, history.readings).select(schema.names()).sort("vehicle_id", "done_at", "component")


def _read_around(
    family: FamilyDrift, pieces: pl.DataFrame, evidence: Evidence, noise: Mapping[str, Float64s]
) -> Iterator[tuple[int, tuple[Around, frozenset[str]]]]:
    """Of each piece on one of the family's vehicles, by its number: the readings around it, and its trouble codes."""
    panel = family.panel
    number = {vehicle: v for v, vehicle in enumerate(panel.vehicles)}
    mine = pieces.with_row_index("n").filter(pl.col("vehicle_id").is_in(number))
    if mine.is_empty():
        return
    places = family_places(panel.codes, panel.family, corrections=evidence.corrections, families=evidence.families)
    kinds = mine.select(ABOUT).unique(maintain_order=True)
    asked = [places.asked(work) for work in kinds.iter_rows(named=True)]
    codes = [_codes_of(work, places, own) for work, own in zip(kinds.iter_rows(named=True), asked, strict=True)]
    kind = mine.select(ABOUT).join(kinds.with_row_index("kind"), on=ABOUT, nulls_equal=True, maintain_order="left")[
        "kind"
    ]
    works = Works(
        vehicle=np.array([number[vehicle] for vehicle in mine["vehicle_id"]]),
        done_at=mine["done_at"].dt.replace_time_zone(None).to_numpy(),
        until=mine["until"].dt.replace_time_zone(None).to_numpy(),
        asked=np.array(asked)[kind.to_numpy()],
    )
    told = noise.get(panel.family)
    scatter = np.maximum(family.sigma, 1e-12) * np.maximum(deviation_noise(family)[0] if told is None else told, 1.0)
    seen = around(family, works, scatter)
    yield from zip(mine["n"], zip(seen, (codes[k] for k in kind), strict=True), strict=True)


def _codes_of(work: Mapping[str, Any], places: FamilyPlaces, asked: Bools) -> frozenset[str]:
    own = places.by_component.get(work["component"] or "", np.zeros(len(places.codes), dtype=bool))
    codes = frozenset[str]().union(*(places.fault_codes[c] for c in np.flatnonzero(asked & own)))
    cause = causes().get(work["cause"] or "")
    if cause is not None:
        codes |= {
            entry.code
            for entry in cause.codes
            if not (work["bank"] and entry.bank and entry.bank != work["bank"])
            and not (work["cylinder"] and entry.cylinder and entry.cylinder != work["cylinder"])
        }
    return codes


def _verdict(
    work: Mapping[str, Any],
    seen: Around,
    back: list[Event],
    titles: Mapping[str, str | None],
    *,
    own_codes: frozenset[str],
    came_for_it: bool,
) -> Verdict:
    """The verdict, what says so first: a code, the vehicle's next visit, the readings."""
    if back:
        first = min(back, key=lambda event: event.found_at)
        text = f"Code {first.code} was set again after the work (found {first.found_at:%Y-%m-%d})."
        failed = first.code in own_codes
        return Verdict(
            word="came_back", evidence=text, decided_at=first.found_at, back_at=first.set_at, part_failed=failed
        )
    if again := _mended_again(work, seen, titles, came_for_it=came_for_it or work["complaint"] is not None):
        return again
    if seen.readings == 0:
        return _not_yet("undecided", "No reading since the work", seen)
    if not seen.enough:
        words = f"{_since(seen)}; decided from {ENOUGH_HOURS:g} h and {ENOUGH_READINGS} readings on"
        return (
            _not_yet("relearning", f"Learning anew: {words}", seen)
            if seen.relearning
            else _not_yet("undecided", f"Too early: {words}", seen)
        )
    word, text = _by_readings(work, seen, titles)
    back_at = (seen.back_at or seen.last_at) if word == "came_back" else None
    decided = max(at for at in (seen.enough_at, back_at) if at is not None)
    return Verdict(word=word, evidence=text, decided_at=decided, back_at=back_at, part_failed=True if back_at else None)


def _not_yet(word: str, text: str, seen: Around) -> Verdict:
    """What cannot be decided yet, and from when on it is expected to be."""
    when = f", expected about {seen.expected_at:%Y-%m-%d} as this vehicle is used" if seen.expected_at else ""
    return Verdict(word=word, evidence=f"{text}{when}.", decided_at=seen.expected_at)


def _mended_again(
    work: Mapping[str, Any], seen: Around, titles: Mapping[str, str | None], *, came_for_it: bool
) -> Verdict | None:
    """The vehicle was back with a complaint: for the same part, or for another one that then had to be mended.

    The latter speaks of the trouble that the vehicle had come with, unless it was seen to go away before.
    """
    if work["again_at"] is not None:
        text = f"Mended again on {work['again_at']:%Y-%m-%d} ({_since(seen)})."
        at = work["again_at"]
        return Verdict(word="came_back", evidence=text, decided_at=at, back_at=at, part_failed=True)
    at = work["other_at"]
    if at is None or not came_for_it or (seen.gone_at is not None and seen.gone_at < at):
        return None
    other = titles.get(work["other_component"]) or work["other_component"]
    days = (at - work["done_at"]).days
    text = (
        f"Back with a complaint {'on the next day' if days < 2 else f'{days} days later'}, and another part was mended "
        f"on {at:%Y-%m-%d} ({other}). Nothing read before that shows that this work had helped."
    )
    return Verdict(word="came_back", evidence=text, decided_at=at, back_at=at, part_failed=False)


def _by_readings(work: Mapping[str, Any], seen: Around, titles: Mapping[str, str | None]) -> tuple[str, str]:
    since = _since(seen)
    if seen.named:
        word, how = _departure_since(seen, was_reset=work["reset_said"])
        what = titles.get(seen.named[0]) or seen.named[0]
        text = f"{what} was {seen.before:.1f} times its healthy scatter off before; {how} ({since})"
    elif seen.strayed:
        what = titles.get(seen.strayed[0]) or seen.strayed[0]
        word, text = "came_back", f"Nothing was off before; {what} has strayed since ({since})"
    else:
        word, text = "held", f"Nothing of this component departs and no code came back ({since})"
    if word == "held" and work["reset_said"] is False and seen.asked and work["kind"] not in LEARNS_NOTHING:
        return "not_reset", f"By the record the learned values were not set back; nothing stale is left. {text}."
    return word, f"{text}."


def _departure_since(seen: Around, *, was_reset: bool | None) -> tuple[str, str]:
    """What became of the earlier departure: the verdict and its words."""
    growing = seen.last >= max(AGAIN, 2 * OFF / seen.before) and seen.last > seen.early
    if seen.last >= STILL or growing:
        how = "never went away" if seen.lowest >= STILL else "went and is back"
        return "came_back", f"the departure {how}, {percent(seen.last)} of it now"
    if seen.last <= -STILL and not was_reset:
        return (
            "not_reset",
            f"now {percent(-seen.last)} of that on the other side, as an old learned value over-corrects",
        )
    if seen.first >= max(STALE, SEEN / seen.before) and seen.first > seen.last and not was_reset:
        words = f"from {percent(seen.first)} to {percent(max(seen.last, 0.0))} of that"
        return "not_reset", f"the learned value was not set back and unwound {words}"
    return "held", f"{percent(max(seen.last, 0.0))} of that is left"


def _since(seen: Around) -> str:
    used = f"{seen.days:.0f} days" if np.isnan(seen.hours) else f"{seen.hours:.0f} ignition hours"
    return f"{seen.readings} reading{'' if seen.readings == 1 else 's'}, {used} since"
