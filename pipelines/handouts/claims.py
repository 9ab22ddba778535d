"""Claim packs: what a dealer is shown for work under warranty, as plain data; published frames in.

A pack stands for each visit in the dealer's lane, and for each vehicle under warranty that was repaired of late: then
what was read before that work and after it stand side by side.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import polars as pl

from pipelines.catalogue.corrections import code_titles
from pipelines.handouts.chart import chart_of
from pipelines.handover import Evidence
from pipelines.workplan.jobs import under_warranty

REPAIRS = ("repair", "replacement", "cleaning", "adjustment", "module_replacement")
REPAIRED_DAYS = 90  # how long after a repair its pack is made (judgement)
RECORD_DAYS = 730  # of codes and work that a pack shows
BEFORE, AFTER = 6, 6  # readings of each correction on the paper; the data hold all of SPAN
SPAN = timedelta(days=120)
MOST_CORRECTIONS = 6  # on the paper
STRAYS = ("outside", "drifting")


@dataclass(frozen=True, kw_only=True)
class Claim:
    """One vehicle's pack.

    Attributes:
        vehicle: The fleet number.
        form: What the paper says, of texts, numbers and lists of them alone.
        sheets: The same as data: vehicle, corrections, readings before and after, codes, work, calibrations.
    """

    vehicle: str
    form: dict[str, Any]
    sheets: dict[str | None, pl.DataFrame]


def claims_of(visits: Mapping[str, str], published: Mapping[str, pl.DataFrame], evidence: Evidence) -> list[Claim]:
    """The packs of one plan, by vehicle.

    Args:
        visits: By vehicle in the dealer's lane: what is to be done.
        published: correction_state and cause_evidence in words (`cause_ranking`) at as_of.
        evidence: Its vehicles, catalogue, readings, codes and work.
    """
    covered = set(under_warranty(evidence).filter("warranty")["vehicle_id"])
    recent = evidence.work.filter(
        pl.col("kind").is_in(REPAIRS),
        pl.col("done_at") >= evidence.as_of - timedelta(days=REPAIRED_DAYS),
        pl.col("vehicle_id").is_in(covered),
    )
    worked = dict(recent.group_by("vehicle_id").agg(pl.col("done_at").max()).iter_rows())
    vehicles = {row["vehicle_id"]: row for row in evidence.vehicles.iter_rows(named=True)}
    named = sorted(set(visits) | set(worked))
    return [
        _claim(vehicles[vehicle], worked.get(vehicle), visits.get(vehicle, ""), published, evidence)
        for vehicle in named
        if vehicle in vehicles
    ]


def _claim(
    vehicle: Mapping[str, Any],
    worked_at: datetime | None,
    asked: str,
    published: Mapping[str, pl.DataFrame],
    evidence: Evidence,
) -> Claim:
    ident, since = vehicle["vehicle_id"], evidence.as_of - timedelta(days=RECORD_DAYS)
    cut = worked_at or evidence.as_of
    read = evidence.snapshots.filter(pl.col("vehicle_id") == ident).sort("read_at")
    spanned = read.filter(pl.col("read_at").is_between(cut - SPAN, cut + SPAN))
    concerned = _concerned(ident, cut, spanned, published["correction_state"], evidence)
    codes = _codes(ident, since, evidence)
    work = _work(ident, since, evidence)
    calibrations = _calibrations(read)
    about = _about(vehicle, read)
    return Claim(
        vehicle=ident,
        form={
            "vehicle": ident,
            "about": [[name, value] for name, value in about],
            "asked": asked,
            "worked": f"{worked_at:%d %B %Y}" if worked_at else "",
            "causes": _evidence_words(ident, published["cause_ranking"]),
            "corrections": [_on_paper(row, cut, spanned) for row in concerned.iter_rows(named=True)],
            "codes": [_words(row) for row in codes.iter_rows(named=True)],
            "work": [_words(row) for row in work.iter_rows(named=True)],
            "calibrations": [_words(row) for row in calibrations.iter_rows(named=True)],
            "chart": chart_of(
                ident, next(iter(concerned["correction"].to_list()), None), published["correction_state"], evidence,
                mark=worked_at,
            ),
        },
        sheets={
            "Vehicle": pl.DataFrame(about, schema={"what": pl.String, "value": pl.String}, orient="row"),
            "Corrections": concerned,
            "Readings": _all_read(spanned, cut if worked_at else None),
            "Codes": codes,
            "Work": work,
            "Calibrations": calibrations,
        },
    )  # fmt: skip


def _about(vehicle: Mapping[str, Any], read: pl.DataFrame) -> list[tuple[str, str]]:
    """What identifies the vehicle and its warranty, in words."""
    km = read["odometer_km"].drop_nulls()
    known = {
        "Identification number": vehicle["vin"],
        "Engine family": vehicle["engine_family"],
        "Model year": vehicle["model_year"],
        "In service since": _day(vehicle["in_service_on"]),
        "Under warranty until": _day(vehicle["warranty_until"]),
        "Under warranty up to": f"{vehicle['warranty_km']:,.0f} km" if vehicle["warranty_km"] is not None else None,
        "Odometer at the newest reading": f"{km[-1]:,.0f} km" if km.len() else None,
        "Calibration": _last(read, "calibration"),
        "Control module": _last(read, "module"),
    }
    return [(name, str(value)) for name, value in known.items() if value not in (None, "")]


def _concerned(
    ident: str, cut: datetime, spanned: pl.DataFrame, correction_state: pl.DataFrame, evidence: Evidence
) -> pl.DataFrame:
    """The corrections that strayed before the work, or stray now, most first: each with its limits and normal band."""
    titles = evidence.corrections.select(
        correction="code", title=pl.col("title").fill_null(pl.col("code")), unit="unit", low_limit="low_limit",
        high_limit="high_limit",
    )  # fmt: skip
    states = correction_state.filter(pl.col("vehicle_id") == ident, pl.col("expected").is_not_null())
    codes = [code for code in states["correction"] if code in spanned.columns]
    before = spanned.filter(pl.col("read_at") <= cut).select(pl.col(code).drop_nulls().last() for code in codes)
    last = before.transpose(include_header=True, header_name="correction", column_names=["last_before"])
    half_band = ((pl.col("band_high") - pl.col("band_low")) / 2).clip(lower_bound=1e-9)
    far = ((pl.col("last_before") - pl.col("expected")) / half_band).abs().fill_null(0.0)
    picked = (
        states.join(last.cast({"last_before": pl.Float64}), on="correction")
        .join(titles, on="correction")
        .with_columns(far=far)
        .filter((pl.col("far") > 1) | pl.col("state").is_in(STRAYS))
        .sort("far", "correction", descending=[True, False])
    )
    return picked.select(
        "correction", "title", "unit", "state", "value", "expected", "band_low", "band_high", "low_limit",
        "high_limit", "onset_at", "leeway_pct", "last_before",
    ).head(MOST_CORRECTIONS)  # fmt: skip


def _on_paper(row: Mapping[str, Any], cut: datetime, spanned: pl.DataFrame) -> dict[str, Any]:
    """One correction with its last readings before the work and its first ones after."""
    values = spanned.select("read_at", value=pl.col(row["correction"]).cast(pl.Float64)).drop_nulls()
    return {
        "title": f"{row['title']}{', ' + row['unit'] if row['unit'] else ''}",
        "normal": f"{row['band_low']:.4g} to {row['band_high']:.4g}" if row["band_low"] is not None else "",
        "limits": f"{row['low_limit']:.4g} to {row['high_limit']:.4g}" if row["low_limit"] is not None else "",
        "before": _pairs(values.filter(pl.col("read_at") <= cut).tail(BEFORE)),
        "after": _pairs(values.filter(pl.col("read_at") > cut).head(AFTER)),
    }


def _pairs(values: pl.DataFrame) -> list[str]:
    return [f"{at:%d %b}: {value:.4g}" for at, value in values.iter_rows()]


def _codes(ident: str, since: datetime, evidence: Evidence) -> pl.DataFrame:
    """The fault memory's codes by first and last reading that found them."""
    found = evidence.faults.filter(pl.col("vehicle_id") == ident, pl.col("read_at") >= since)
    titles = pl.col("code").str.head(5).replace_strict(code_titles(), default=None, return_dtype=pl.String)
    return (
        found.sort("read_at")
        .group_by("code", maintain_order=True)
        .agg(
            first_read=pl.col("read_at").first(), last_read=pl.col("read_at").last(), readings=pl.len(),
            confirmed=pl.col("confirmed").any(), module_hours=pl.col("ignition_hours").first(),
        )
        .select("code", "first_read", "last_read", "readings", "confirmed", "module_hours", title=titles)
        .sort("first_read", "code")
    )  # fmt: skip


def _work(ident: str, since: datetime, evidence: Evidence) -> pl.DataFrame:
    return evidence.work.filter(pl.col("vehicle_id") == ident, pl.col("done_at") >= since).select(
        "done_at", "kind", "component", "bank", "cylinder", "part_number", "part_batch", "workshop", "odometer_km",
        "labour_hours", "reset_done", "codes_cleared", "cause", "complaint", "note",
    ).sort("done_at")  # fmt: skip


def _calibrations(read: pl.DataFrame) -> pl.DataFrame:
    """Calibration and module with the first and the last reading that showed them."""
    return (
        read.filter(pl.col("calibration").is_not_null() | pl.col("module").is_not_null())
        .group_by("calibration", "module", maintain_order=True)
        .agg(first_read=pl.col("read_at").first(), last_read=pl.col("read_at").last())
        .sort("first_read")
    )


def _all_read(spanned: pl.DataFrame, worked_at: datetime | None) -> pl.DataFrame:
    """Every reading of the span with all that was read, and whether it is from before the work or after."""
    after = pl.lit(value=False) if worked_at is None else pl.col("read_at") > worked_at
    told = spanned.select("read_at", when=pl.when(after).then(pl.lit("after")).otherwise(pl.lit("before")))
    rest = spanned.drop("vehicle_id", "read_at")
    filled = [name for name in rest.columns if rest[name].count()]
    return pl.concat([told, rest.select(filled)], how="horizontal")


def _evidence_words(ident: str, cause_ranking: pl.DataFrame) -> list[str]:
    """What speaks for the likeliest cause, as it was published."""
    first = cause_ranking.filter(pl.col("vehicle_id") == ident).sort("rank").head(1)
    return [text for text in first["evidence"].to_list() if text]


def _words(row: Mapping[str, Any]) -> list[str]:
    """Cells of a row as they are printed."""
    return [_cell(value) for value in row.values()]


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return f"{value:%d %b %Y}"
    return f"{value:.6g}" if isinstance(value, float) else str(value).replace("_", " ")


def _day(day: Any) -> str | None:
    return f"{day:%d %B %Y}" if day is not None else None


def _last(read: pl.DataFrame, name: str) -> str | None:
    known = read[name].drop_nulls()
    return str(known[-1]) if known.len() else None
