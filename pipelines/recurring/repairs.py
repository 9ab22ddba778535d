"""Whether repairs held: work rows and the readings around them in, the contract's `repair_outcome` out."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.affected import FamilyPlaces, family_places
from pipelines.causes.knowledge import causes
from pipelines.causes.noise import deviation_noise
from pipelines.handover import Bools, Drift, Evidence, FamilyDrift, Float32s, Float64s, History, Int64s
from pipelines.in_service import in_service
from pipelines.recurring.visits import KEY as VISIT
from pipelines.recurring.visits import with_visits
from pipelines.wording import percent

MENDS = ("cleaning", "adjustment", "repair", "replacement", "reset", "module_replacement", "programming")
ENOUGH_HOURS = 40.0  # ignition-on hours after which an outcome is decided
ENOUGH_READINGS = 4
ENOUGH_DAYS = 28.0  # instead of hours where the module's clock is not read (judgement)
CAME_IN = timedelta(days=14)  # a code that went away so shortly before the work is what it was for (judgement)
WATCHED = timedelta(days=180)  # after the work, or up to the next work on the same part (judgement)
MOST_NAMED = 6  # corrections that decide, those that were off most
OFF = 2.5  # healthy scatters from which a correction counts as off before the work
STILL = 0.5  # share of the earlier departure that counts as there (again)
AGAIN = 0.25  # share of it that counts as back where it grows
STALE = 0.3  # share of it found at the first reading after, from which the learned value was not set back
SEEN = 3.0  # healthy scatters that this share must come to


@dataclass(frozen=True, kw_only=True)
class Around:
    """The corrections in question before and after one piece of work, weighted by how far they were off before."""

    readings: int  # after the work
    hours: float  # ignition-on, since the work; NaN: not known
    days: float
    last_at: datetime | None
    named: tuple[str, ...]  # corrections that were off before, most first
    before: float  # their departure, healthy scatters
    first: float  # share of it left at the first reading after
    last: float  # share of it left at the newest readings
    lowest: float  # least share of it seen since
    early: float  # share of it left at the first readings
    relearning: bool  # some correction in question is learning anew now
    strayed: tuple[str, ...]  # corrections in question that are in alarm now and have moved since the work

    @property
    def enough(self) -> bool:
        """Whether enough was read since to decide."""
        used = self.days >= ENOUGH_DAYS if np.isnan(self.hours) else self.hours >= ENOUGH_HOURS
        return self.readings >= ENOUGH_READINGS and used


def repair_outcomes(drift: Drift, *, evidence: Evidence, history: History) -> pl.DataFrame:
    """The contract's `repair_outcome`: one row per vehicle, time and component that work was done on.

    Args:
        drift: Readings and deviations of every family.
        evidence: Work rows and the catalogue.
        history: Fault events.

    Returns:
        Rows sorted by key. Rows of work without a reading between them are one visit: one row a component, dated by its
        last row. A reset without a component belongs to the components mended in its visit; where there is none, the
        component is `unspecified`.
    """
    titles = dict(evidence.corrections.select("code", "title").iter_rows())
    events = _events_by_vehicle(history.fault_events)
    located: dict[str, tuple[FamilyDrift, FamilyPlaces, Float64s, int]] = {}
    for family in drift.families:
        places = family_places(
            family.panel.codes, family.panel.family, corrections=evidence.corrections, families=evidence.families
        )
        scatter = np.maximum(family.sigma, 1e-12) * np.maximum(deviation_noise(family), 1.0)
        located |= {vehicle: (family, places, scatter, v) for v, vehicle in enumerate(family.panel.vehicles)}
    rows = []
    for work in _pieces_of_work(evidence, history.readings).to_dicts():
        vehicle = work["vehicle_id"]
        if vehicle in located:
            family, places, scatter, v = located[vehicle]
            around = _around(family, v, places.asked(work), scatter, work)
            codes = _codes_of(work, places)
        else:
            around, codes = _nothing_read(), frozenset()
        returned = _returned(events.get(vehicle, []), codes, work)
        verdict, text = _verdict(work, around, returned, titles)
        rows.append(
            {
                "vehicle_id": vehicle,
                "done_at": work["done_at"],
                "component": work["component"] or "unspecified",
                "verdict": verdict,
                "checked_at": around.last_at or evidence.as_of,
                "evidence": text,
            }
        )
    return pl.DataFrame(rows, schema=published_tables()["repair_outcome"].schema).sort(
        "vehicle_id", "done_at", "component"
    )


def _pieces_of_work(evidence: Evidence, readings: pl.DataFrame) -> pl.DataFrame:
    """Mending work on vehicles in service, one row per visit and component, dated by its last row.

    `was_reset`: the learned values were set back in that visit; `until`: the component's next visit, or WATCHED.
    """
    visits = with_visits(
        evidence.work.join(in_service(evidence.vehicles, evidence.as_of), on="vehicle_id", how="semi"), readings
    ).with_columns(
        mends=pl.col("kind").is_in(MENDS),
        named=pl.col("component").is_not_null() & pl.col("kind").is_in(MENDS),
    )
    part = [*VISIT, "component"]
    return (
        visits.filter(pl.col("mends").any().over(part))
        .filter(pl.col("component").is_not_null() | ~pl.col("named").any().over(VISIT))
        .sort(*part, "done_at", "kind")
        .group_by(part, maintain_order=True)
        .agg(
            pl.col("done_at").max(),
            pl.col("kind").filter("mends").first(),
            *(_agreed(name) for name in ("bank", "cylinder")),
            pl.col("cause").drop_nulls().last(),
            pl.col("was_reset").first().fill_null(value=False),
        )
        .sort("vehicle_id", "done_at", "component")
        .with_columns(
            until=pl.min_horizontal(
                pl.col("done_at") + WATCHED, pl.col("done_at").shift(-1).over("vehicle_id", "component")
            )
        )
    )


def _agreed(name: str) -> pl.Expr:
    """The one value that rows give; null where they give none, or several: then no place is left out."""
    given = pl.col(name).drop_nulls()
    return pl.when(given.n_unique() == 1).then(given.first()).alias(name)


@dataclass(frozen=True, kw_only=True)
class _Event:
    code: str
    set_at: datetime
    found_at: datetime
    ended_at: datetime | None


def _events_by_vehicle(events: pl.DataFrame) -> dict[str, list[_Event]]:
    found: dict[str, list[_Event]] = {}
    for vehicle, code, set_at, found_at, ended_at in events.select(
        "vehicle_id", pl.col("code").str.slice(0, 5), pl.coalesce("set_at", "found_at"), "found_at", "ended_at"
    ).iter_rows():
        found.setdefault(vehicle, []).append(_Event(code=code, set_at=set_at, found_at=found_at, ended_at=ended_at))
    return found


def _returned(events: list[_Event], codes: frozenset[str], work: Mapping[str, Any]) -> list[_Event]:
    """Codes set again after the work: those that concern it, and those that stood when the vehicle came in."""
    done_at = work["done_at"]
    stood = {
        e.code for e in events if e.found_at <= done_at and (e.ended_at is None or e.ended_at >= done_at - CAME_IN)
    }
    return [e for e in events if e.code in codes | stood and done_at < e.set_at <= work["until"]]


def _codes_of(work: Mapping[str, Any], places: FamilyPlaces) -> frozenset[str]:
    """Trouble codes that would say this work did not hold."""
    asked = places.asked(work)
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


def _nothing_read() -> Around:
    nan = float("nan")
    return Around(
        readings=0, hours=nan, days=0.0, last_at=None, named=(), before=0.0, first=nan, last=nan, lowest=nan, early=nan,
        relearning=False, strayed=(),
    )  # fmt: skip


def _around(family: FamilyDrift, v: int, asked: Bools, scatter: Float64s, work: Mapping[str, Any]) -> Around:
    panel = family.panel
    rows = np.arange(panel.row_start[v], panel.row_start[v + 1])
    at, until = (np.datetime64(work[name].astimezone(UTC).replace(tzinfo=None), "us") for name in ("done_at", "until"))
    before = rows[panel.read_at[rows] <= at]
    after = rows[(panel.read_at[rows] > at) & (panel.read_at[rows] <= until)]
    if not len(after):
        return _nothing_read()
    newest = after[-1]
    columns = np.flatnonzero(asked)
    expected, off = _departure_before(family, before)
    size = np.where(asked, np.abs(off) / scatter, 0.0)
    named = [int(c) for c in np.argsort(-size, kind="stable") if size[c] >= OFF][:MOST_NAMED]
    away = family.panel.values[after][:, named] - expected[named]
    shares = _shares_left(away / off[named], size[named])
    hours = float(panel.hours[newest] - panel.hours[before[-1]]) if len(before) else float("nan")
    moved = np.abs(_level(panel.values[after[-3:]]) - _level(panel.values[after[:3]])) / scatter
    nothing = float("nan")
    return Around(
        readings=len(after),
        hours=hours,
        days=float((panel.read_at[newest] - at) / np.timedelta64(1, "D")),
        last_at=panel.read_at[newest].astype(datetime).replace(tzinfo=UTC),
        named=tuple(panel.codes[c] for c in named),
        before=float(size.max(initial=0.0)),
        first=float(shares[0]) if len(shares) else nothing,
        last=float(np.median(shares[-3:])) if len(shares) else nothing,
        lowest=float(shares.min()) if len(shares) else nothing,
        early=float(np.median(shares[:3])) if len(shares) else nothing,
        relearning=bool(family.relearning[newest, columns].any()),
        strayed=tuple(panel.codes[c] for c in columns if family.alarm[newest, c] and moved[c] >= 2 * OFF),
    )


def _departure_before(family: FamilyDrift, before: Int64s) -> tuple[Float64s, Float64s]:
    """What the vehicle should read and how far it is off, [C] each, by the last three readings before the work."""
    if not len(before):
        return np.zeros(len(family.panel.codes)), np.zeros(len(family.panel.codes))
    away = family.panel.values[before[-3:]] - family.expected[before[-3:]]
    return family.expected[before[-1]].astype(np.float64), _level(away)


def _level(readings: Float32s) -> Float64s:
    """Median of a few readings, [C]; 0 where none was read."""
    read = (~np.isnan(readings)).any(axis=0)
    return np.asarray(np.nanmedian(np.where(read, readings, 0.0), axis=0), dtype=np.float64)


def _shares_left(share: Float64s, size: Float64s) -> Float64s:
    """One share of the earlier departure at each reading, over the corrections that were off; [readings].

    Args:
        share: Of each correction's own departure, [readings, corrections]; NaN: not read.
        size: How far each was off, [corrections].
    """
    weight = np.where(np.isnan(share), 0.0, size)
    told = weight.sum(axis=1) > 0
    together: Float64s = (np.nan_to_num(share) * weight).sum(axis=1)[told] / weight.sum(axis=1)[told]
    return together


def _verdict(
    work: Mapping[str, Any], around: Around, returned: list[_Event], titles: Mapping[str, str | None]
) -> tuple[str, str]:
    if returned:
        first = min(returned, key=lambda event: event.found_at)
        return "came_back", f"Code {first.code} was set again after the work (found {first.found_at:%Y-%m-%d})."
    if around.readings == 0:
        return "undecided", "No reading since the work."
    since = _since(around)
    if not around.enough:
        rule = f"{since}; decided from {ENOUGH_HOURS:g} h and {ENOUGH_READINGS} readings on"
        return ("relearning", f"Learning anew: {rule}.") if around.relearning else ("undecided", f"Too early: {rule}.")
    if not around.named:
        return _without_departure(around, titles, since)
    verdict, how = _departure_since(around, was_reset=work["was_reset"])
    what = titles.get(around.named[0]) or around.named[0]
    return verdict, f"{what} was {around.before:.1f} times its healthy scatter off before; {how} ({since})."


def _departure_since(around: Around, *, was_reset: bool) -> tuple[str, str]:
    """What became of the earlier departure: the verdict and its words."""
    growing = around.last >= max(AGAIN, 2 * OFF / around.before) and around.last > around.early
    if around.last >= STILL or growing:
        how = "never went away" if around.lowest >= STILL else "went and is back"
        return "came_back", f"the departure {how}, {percent(around.last)} of it now"
    if around.last <= -STILL and not was_reset:
        return (
            "not_reset",
            f"now {percent(-around.last)} of that on the other side, as an old learned value over-corrects",
        )
    if around.first >= max(STALE, SEEN / around.before) and around.first > around.last and not was_reset:
        words = f"from {percent(around.first)} to {percent(max(around.last, 0.0))} of that"
        return "not_reset", f"the learned value was not set back and unwound {words}"
    return "held", f"{percent(max(around.last, 0.0))} of that is left"


def _without_departure(around: Around, titles: Mapping[str, str | None], since: str) -> tuple[str, str]:
    """Work after nothing was seen to depart: it holds unless something of it has strayed since."""
    if around.strayed:
        what = titles.get(around.strayed[0]) or around.strayed[0]
        return "came_back", f"Nothing was off before; {what} has strayed since ({since})."
    if around.relearning:
        return "relearning", f"Still learning anew: {since}."
    return "held", f"Nothing of this component departs and no code came back ({since})."


def _since(around: Around) -> str:
    used = f"{around.days:.0f} days" if np.isnan(around.hours) else f"{around.hours:.0f} ignition hours"
    return f"{around.readings} reading{'' if around.readings == 1 else 's'}, {used} since"
