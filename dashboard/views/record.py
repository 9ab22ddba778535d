"""One vehicle's record: who it is, which codes stand and how they were set, what was done, whether repairs held."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import polars as pl

from dashboard.palette import VERDICT, look
from dashboard.views.wording import Reader, sentence
from pipelines.catalogue.corrections import code_titles, freeze_frame_words

FREEZE = "ff_"  # how columns of a freeze frame begin
MARKS = ("confirmed", "present", "pending", "permanent", "intermittent")
EVENT = pl.Schema(
    {
        "at": pl.Datetime("us", "UTC"), "kind": pl.String(), "text": pl.String(), "found": pl.String(),
        "workshop": pl.String(), "km": pl.Float64(), "remark": pl.String(),
    }
)  # fmt: skip


def identity(vehicle: Mapping[str, Any], readings: pl.DataFrame, reader: Reader) -> dict[str, str]:
    """Who a vehicle is, in words; only what is known.

    Args:
        vehicle: Its row of the drop table `vehicles`.
        readings: `read_at, km, calibration, module` of this vehicle, by read_at.
        reader: Whose clock and distance.
    """
    last = {name: _last(readings, name) for name in ("km", "calibration", "module")}
    parts = {
        "VIN": vehicle.get("vin"),
        "Odometer": None if last["km"] is None else reader.distance(last["km"]),
        "Calibration": last["calibration"],
        "Module": last["module"],
        "Warranty": _warranty(vehicle, last["km"], reader),
        "In service since": reader.day(vehicle.get("in_service_on"), absent=""),
    }
    return {name: str(value) for name, value in parts.items() if value}


def _last(readings: pl.DataFrame, column: str) -> Any:
    known = readings.get_column(column).drop_nulls()
    return known[-1] if known.len() else None


def _warranty(vehicle: Mapping[str, Any], km: float | None, reader: Reader) -> str:
    until, most = vehicle.get("warranty_until"), vehicle.get("warranty_km")
    bounds = [f"until {reader.day(until)}" if until else "", f"up to {reader.distance(most)}" if most else ""]
    if not any(bounds):
        return ""
    over = (until is not None and until < reader.local(reader.as_of).date()) or (
        most is not None and km is not None and km > most
    )
    return f"{'ended' if over else 'runs'} ({' and '.join(filter(None, bounds))})"


def standing_codes(
    fault_events: pl.DataFrame, faults: pl.DataFrame, own_titles: Mapping[str, str], reader: Reader
) -> pl.DataFrame:
    """Codes that stand in the fault memory, the newest first.

    Args:
        fault_events: Rows of this vehicle in the table `fault_event`.
        faults: Its rows of the drop table `faults`.
        own_titles: Titles of codes that the fleet's own catalogue names.
        reader: Whose clock.

    Returns:
        `code, title, since` (a time), `times, marks, frame` (when and how it was set, in words; null: not brought).
    """
    standing = fault_events.filter(pl.col("ended") == "open").sort("set_at", "code", descending=[True, False])
    newest = {row["code"]: row for row in faults.sort("read_at").to_dicts()}
    titles = {**own_titles, **code_titles()}
    return pl.DataFrame(
        [
            {
                "code": row["code"],
                "title": titles.get(row["code"][:5]),
                "since": row["set_at"],
                "times": (found := newest.get(row["code"], {})).get("occurrences"),
                "marks": ", ".join(mark for mark in MARKS if found.get(mark)) or None,
                "frame": freeze_frame(found, reader) or None,
            }
            for row in standing.to_dicts()
        ],
        schema={
            "code": pl.String, "title": pl.String, "since": EVENT["at"], "times": pl.Int64, "marks": pl.String,
            "frame": pl.String,
        },
    )  # fmt: skip


def freeze_frame(fault: Mapping[str, Any], reader: Reader) -> str:
    """Under which conditions a code was set, as the module froze them: 'engine load 69 %, coolant 83 °C'."""
    words = freeze_frame_words()
    brought = {name.removeprefix(FREEZE): value for name, value in fault.items() if name.startswith(FREEZE)}
    said = []
    for name, value in brought.items():
        if value is not None:
            title, unit = words.get(name, (name.replace("_", " "), ""))
            said.append(f"{title} {reader.amount(value, unit, figures=3)}")
    return ", ".join(said)


def earlier_repairs(vehicle_id: str, repair_outcome: pl.DataFrame, components: Mapping[str, str]) -> pl.DataFrame:
    """Verdicts on this vehicle's repairs, the newest first: `done_at, part, verdict, evidence`."""
    mine = repair_outcome.filter(pl.col("vehicle_id") == vehicle_id).sort("done_at", descending=True)
    labels = {verdict: each.label for verdict, each in VERDICT.items()}
    return mine.select(
        "done_at",
        part=pl.col("component").replace_strict(components, default=pl.col("component"), return_dtype=pl.String),
        verdict=pl.col("verdict").replace_strict(labels, default=look(VERDICT, None).label, return_dtype=pl.String),
        evidence="evidence",
    )


def events_of(
    *,
    work: pl.DataFrame,
    fault_events: pl.DataFrame,
    readings: pl.DataFrame,
    names: Mapping[str, str],
    until: datetime,
) -> pl.DataFrame:
    """Everything that happened to one vehicle, for the time axis and its record, by time.

    Args:
        work: Rows of this vehicle in the drop table.
        fault_events: Its rows of the table `fault_event`.
        readings: Its rows of the table `reading_clock`.
        names: What components and causes are called.
        until: Nothing later is shown.

    Returns:
        `at, kind, text`; of work also `found` (the cause), `workshop, km, remark` (complaint and note).
    """
    parts = [
        work.select(
            at="done_at",
            kind=pl.lit("work"),
            text=pl.concat_str(
                pl.col("kind").str.replace_all("_", " "), pl.lit(": "), _named("component", names).fill_null("")
            ).str.strip_chars(": "),
            found=_named("cause", names),
            workshop="workshop",
            km=pl.col("odometer_km").cast(pl.Float64),
            remark=pl.concat_str("complaint", "note", separator="; ", ignore_nulls=True).replace("", None),
        ),
        fault_events.select(at="set_at", kind=pl.lit("fault"), text=pl.concat_str(pl.col("code"), pl.lit(" was set"))),
        readings.filter(pl.col("power_lost")).select(
            at="read_at", kind=pl.lit("power"), text=pl.lit("module lost power before this reading")
        ),
        readings.filter((pl.col("calibration") != pl.col("calibration").shift(1)).fill_null(value=False)).select(
            at="read_at", kind=pl.lit("calibration"), text=pl.concat_str(pl.lit("calibration "), pl.col("calibration"))
        ),
    ]
    joined = pl.concat([EVENT.to_frame(), *parts], how="diagonal_relaxed")
    return joined.drop_nulls("at").filter(pl.col("at") <= until).sort("at", "kind", "text")


def _named(column: str, names: Mapping[str, str]) -> pl.Expr:
    words = pl.col(column).str.replace_all("_", " ")
    return pl.col(column).replace_strict(names, default=words, return_dtype=pl.String) if names else words


def log_table(values: pl.DataFrame, names: Mapping[str, str]) -> pl.DataFrame:
    """What values rest on that rows of a log made, the newest first: `read_at, what, rows, least, most`."""
    return values.sort("read_at", "column_name", descending=[True, False]).select(
        "read_at",
        what=pl.col("column_name").replace_strict(names, default=pl.col("column_name"), return_dtype=pl.String),
        rows="row_count",
        least="least",
        most="most",
    )


def record_table(events: pl.DataFrame, reader: Reader) -> pl.DataFrame:
    """The record as a table, the newest first: `at, kind, text, found, workshop, odometer, remark`."""
    rows = events.reverse()
    return rows.select(
        "at",
        kind=pl.col("kind").map_elements(sentence, return_dtype=pl.String),
        text="text",
        found="found",
        workshop="workshop",
        odometer=pl.Series(
            [None if km is None else reader.distance(km) for km in rows.get_column("km")], dtype=pl.String
        ),
        remark="remark",
    )
