"""At the vehicle: which one it is, what to note before it is touched, what to read, what a cause asks for after."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import polars as pl

from dashboard.views.joined import bare_title
from dashboard.views.record import identity
from dashboard.views.vehicle import asked_for
from dashboard.views.wording import Reader, amount, count, number, unit_word
from pipelines.causes.hypotheses import engine_layout
from pipelines.causes.knowledge import Cause
from pipelines.causes.setting_back import moved_by, relearning, set_back
from pipelines.entries.overlays import newest_entry, with_entries
from pipelines.handover import SEEN_TO, Evidence
from pipelines.workplan.dangers import dangers
from pipelines.workplan.urgency import signed_off

LEAST_OF_VIN = 4  # last characters by which a vehicle is found
MOST_FOUND = 12
MOST_TO_READ = 14
LIKELY = 0.10  # chance from which a cause's corrections are worth reading (judgement)


def found(asked: str, vehicles: pl.DataFrame, known: Sequence[str]) -> list[str]:
    """Vehicles that are meant by a fleet number, a VIN, or the end of either; exact ones alone if there are any.

    Args:
        asked: What was typed.
        vehicles: The drop table.
        known: Vehicles in the state that is shown.
    """
    typed = asked.strip()
    if number_meant := asked_for(typed, known):
        return [number_meant]
    folded = typed.casefold().replace(" ", "")
    vins = {
        vehicle: (vin or "").casefold()
        for vehicle, vin in vehicles.select("vehicle_id", "vin").iter_rows()
        if vehicle in set(known)
    }
    exact = [vehicle for vehicle, vin in vins.items() if vin and vin == folded]
    if exact or len(folded) < LEAST_OF_VIN:
        return exact
    return [v for v, vin in vins.items() if vin.endswith(folded) or v.casefold().endswith(folded)][:MOST_FOUND]


def who_it_is(
    vehicle: Mapping[str, Any], readings: pl.DataFrame, hours: float | None, read_at: datetime | None, reader: Reader
) -> dict[str, str]:
    """What to compare with the plate and the tester before anything else: name -> value; only what is known.

    Args:
        vehicle: Its row of the drop table `vehicles`.
        readings: `read_at, km, calibration, module`, by read_at.
        hours: The module's own clock when it was last read.
        read_at: When that was.
        reader: Whose clock and distance.
    """
    said = {
        "Engine family": vehicle.get("engine_family"),
        "Model year": vehicle.get("model_year"),
        "Depot": vehicle.get("depot"),
        "Duty": vehicle.get("duty"),
        **identity(vehicle, readings, reader),
        "Module clock": None if hours is None else f"{hours:,.0f} h",
        "Last read": None if read_at is None else reader.day(read_at),
    }
    return {name: str(value) for name, value in said.items() if value is not None}


def before_clearing(codes: pl.DataFrame, reader: Reader) -> list[str]:
    """What to write down before the fault memory is cleared: codes that stand, with what is frozen beside them.

    Args:
        codes: `code, title, since, frame` as the vehicle's record has them.
        reader: Whose clock.
    """
    return [
        f"{row['code']}{': ' + row['title'] if row['title'] else ''}, since {reader.day(row['since'])}; "
        + (f"when it set: {row['frame']}" if row["frame"] else "no freeze frame on record: read it now")
        for row in codes.iter_rows(named=True)
    ]


def before_disconnecting(family: str, fault_event: pl.DataFrame, epochs: pl.DataFrame, families: pl.DataFrame) -> str:
    """What vehicles of this family lost with the power so far, in a sentence.

    Args:
        family: The engine family.
        fault_event: Published table.
        epochs: The published table `learning_epoch`.
        families: vehicle_id and engine_family.
    """
    peers = families.filter(pl.col("engine_family") == family).select("vehicle_id")

    def of_family(table: pl.DataFrame, column: str, word: str) -> int:
        if column not in table.columns:
            return 0
        return table.join(peers, on="vehicle_id", how="semi").filter(pl.col(column) == word).height

    codes, learned = of_family(fault_event, "ended", "lost_with_power"), of_family(epochs, "reason", "power_loss")
    lost = []
    if codes:
        lost.append(f"their codes {count(codes, 'time')}")
    if learned:
        lost.append(f"learned values {count(learned, 'time')}")
    seen = (
        f"Vehicles of this family lost {' and '.join(lost)} with the power."
        if lost
        else ("No vehicle of this family is known to have lost anything with the power; others did.")
    )
    return f"{seen} Read everything first: codes, freeze frames, readiness, learned corrections, the module's clock."


def dangers_now(vehicle_id: str, evidence: Evidence, entries: pl.DataFrame) -> list[str]:
    """What must not be driven by what was measured, said or checked up to this moment, in sentences.

    Args:
        vehicle_id: The fleet number.
        evidence: Of the vehicle, at the analysis.
        entries: Those that count now, of all vehicles.
    """
    mine = entries.filter(pl.col("vehicle_id") == vehicle_id)
    newest = newest_entry(mine)
    as_of = max(evidence.as_of, newest) if newest else evidence.as_of
    # A sign-off answers what was read and typed before it, also where a clock is ahead.
    typed = pl.Series([newest_entry(mine.head(place)) for place in range(mine.height)], dtype=SEEN_TO["seen_to"])
    read = pl.lit(evidence.snapshots["read_at"].max(), SEEN_TO["seen_to"])
    known = mine.with_columns(seen_to=pl.max_horizontal(typed, read))
    now = with_entries(replace(evidence, as_of=as_of, entries=known), mine)
    found = dangers(now, signed_off(now)).unique(["rule_found", "rule_reason"], maintain_order=True)
    return [f"{what}: {reason}." for what, reason in found.select("rule_found", "rule_reason").iter_rows()]


def signed(vehicle_id: str, entries: pl.DataFrame, since: datetime) -> datetime | None:
    """When the vehicle was signed off after the analysis; None: it was not."""
    safe = entries.filter(pl.col("vehicle_id") == vehicle_id, pl.col("kind") == "safe", pl.col("entered_at") > since)[
        "entered_at"
    ].max()
    return safe if isinstance(safe, datetime) else None


@dataclass(frozen=True, kw_only=True)
class ToRead:
    """A correction worth reading now, and what it should read.

    Attributes:
        code, title, unit: Which.
        when: Under which conditions it is learned.
        usual: From where to where it should be, in words; empty: not known.
        low, high: The same.
        why: Why it is asked for.
    """

    code: str
    title: str
    unit: str
    when: str
    usual: str
    low: float | None
    high: float | None
    why: str


def to_read(
    states: pl.DataFrame, ranking: pl.DataFrame, knowledge: Mapping[str, Cause], evidence: Evidence
) -> list[ToRead]:
    """What to read now: what strays, and what the likely causes move, the leading ones first.

    Args:
        states: Its rows of `correction_state`.
        ranking: Its rows of `cause_ranking`.
        knowledge: What is known of each cause.
        evidence: Of the vehicle: families and catalogue.
    """
    rows = {row["correction"]: row for row in states.to_dicts() if row["state"] != "not_fitted"}
    why: dict[str, str] = {}
    astray = states.filter(pl.col("state").is_in(["drifting", "outside"])).sort("leeway_pct", nulls_last=True)
    why |= dict.fromkeys(astray["correction"].to_list(), "it strays")
    for row in ranking.sort("rank").to_dicts():
        cause = knowledge.get(row["cause"])
        if cause and row["probability"] >= LIKELY:
            for code in _of_cause(cause, evidence, list(rows), bank=row["bank"], cylinder=row["cylinder"]):
                why.setdefault(code, f"a sign of: {cause.title}")
    catalogue = {row["code"]: row for row in evidence.corrections.with_columns(title=bare_title()).to_dicts()}
    if not why:
        least = states.filter(pl.col("state") != "not_fitted").sort("leeway_pct", "correction", nulls_last=True)
        why = dict.fromkeys(least["correction"].to_list(), "least leeway")
    return [_asked(catalogue[code], rows[code], reason) for code, reason in why.items() if code in rows][:MOST_TO_READ]


def asked_at(code: str, states: pl.DataFrame, corrections: pl.DataFrame) -> ToRead | None:
    """The same of any correction that somebody wants to type in; None: nobody knows it."""
    known = corrections.filter(pl.col("code") == code).with_columns(title=bare_title()).to_dicts()
    rows = states.filter(pl.col("correction") == code).to_dicts()
    return _asked(known[0], rows[0] if rows else {}, "") if known else None


def _asked(known: Mapping[str, Any], row: Mapping[str, Any], why: str) -> ToRead:
    low, high, unit = row.get("band_low"), row.get("band_high"), unit_word(known["unit"])
    usual = "" if low is None or high is None else f"{number(low)} to {amount(high, known['unit'])}"
    region = f" ({known['region']})" if known["region"] and "this" in (known["learn_when"] or "") else ""
    return ToRead(
        code=known["code"], title=known["title"], unit=unit, when=f"{known['learn_when'] or ''}{region}", usual=usual,
        low=low, high=high, why=why,
    )  # fmt: skip


def _of_cause(
    cause: Cause, evidence: Evidence, codes: Sequence[str], *, bank: int | None, cylinder: int | None
) -> list[str]:
    family = evidence.vehicles["engine_family"].to_list()
    fitted = evidence.corrections.filter(pl.col("code").is_in(list(codes)))
    layout = engine_layout(evidence.families, family[0] if family else "", fitted)
    return moved_by(cause, bank=bank, cylinder=cylinder, layout=layout, codes=codes)


def compared(values: Mapping[str, float], asked: Mapping[str, ToRead]) -> list[tuple[str, bool]]:
    """What typed values say at once, beside what this vehicle should read: a line each, and whether it is off."""
    said = []
    for code, value in values.items():
        each = asked.get(code)
        if each is None or each.low is None or each.high is None:
            continue
        side = "below" if value < each.low else "above" if value > each.high else ""
        place = f"{side} what it should read ({each.usual})" if side else f"as it should be ({each.usual})"
        said.append((f"{each.title}: {number(value, figures=3)} {each.unit}".rstrip() + f", {place}", bool(side)))
    return said


@dataclass(frozen=True, kw_only=True)
class After:
    """What the work on a cause asks for: the corrections to set back, in words, and where they learn anew."""

    reset: str
    corrections: tuple[str, ...]
    relearning: tuple[str, ...]


def after_work(
    cause: Cause, evidence: Evidence, codes: Sequence[str], *, bank: int | None, cylinder: int | None
) -> After:
    """What to set back after work on a cause, and how many hours in which regions until it is read again.

    Args:
        cause: What it is.
        evidence: Of the vehicle: families and catalogue.
        codes: Corrections that this vehicle has.
        bank: Where it is; None: not known, or the whole engine.
        cylinder: The same.
    """
    fitted = evidence.corrections.filter(pl.col("code").is_in(list(codes)))
    back = set_back(cause, bank, fitted)
    shown = _of_cause(cause, evidence, codes, bank=bank, cylinder=cylinder)
    learn = back if back.height else fitted.filter(pl.col("code").is_in(shown))
    return After(
        reset=cause.reset,
        corrections=tuple(back.select(bare_title().alias("title"))["title"]),
        relearning=tuple(each.words() for each in relearning(learn)),
    )
