"""Findings as batches with ids that follow from what came, and the table that people decide by; no judging here."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.digests import digest
from pipelines.held.finding import Batch, Finding
from pipelines.held.readings import Measured, Readings
from pipelines.held.slips import slips

EVERY_COLUMN = "*"
MOST_NAMED = 50  # vehicles that a batch names
MOST_DRAWN = 3  # and whose histories are drawn
DAYS_DRAWN = 120.0  # before and after it


def batch_id(content_hash: str, depot: str, looks_like: str, about: str = "") -> str:
    """The same for the same content of a file, however often it is loaded."""
    return digest(content_hash.encode(), depot.encode(), looks_like.encode(), about.encode())[:16]


def with_ids(findings: Sequence[Finding], loads: pl.DataFrame) -> dict[str, Finding]:
    """Batch id -> finding.

    Args:
        findings: One per file, depot and looks_like.
        loads: load_id, content_hash of the files.
    """
    content = dict(loads.select("load_id", "content_hash").iter_rows())
    return {batch_id(content.get(f.load_id) or "", f.depot, f.looks_like, f.about): f for f in findings}


def batches_told(said: Collection[str], readings: Readings, loads: pl.DataFrame) -> frozenset[Batch]:
    """Those batches, of all that there can be in another unit, that have one of these ids."""
    depots = readings.depots.unique().to_list()
    return frozenset(
        (load_id, depot, slip.looks_like)
        for load_id, content in loads.select("load_id", "content_hash").iter_rows()
        for depot in depots
        for slip in slips()
        if batch_id(content or "", depot, slip.looks_like) in said
    )


def held_reading(
    batches: Mapping[str, Finding], readings: Readings, *, loads: pl.DataFrame, decisions: pl.DataFrame
) -> pl.DataFrame:
    """The contract's table, newest readings first; beside it `vehicle_ids` (the first of them) and `sure` (nats).

    Args:
        batches: Batch id -> finding, whose rows are those of `readings`.
        readings: As they came.
        loads: load_id, drop_name, file.
        decisions: batch_id, decision, decided_at: the last of each.
    """
    more = [("vehicle_ids", pl.String()), ("sure", pl.Float64())]
    schema = pl.Schema([*published_tables()["held_reading"].schema.items(), *more])
    names = {row["load_id"]: (row["drop_name"], row["file"]) for row in loads.iter_rows(named=True)}
    decided = {row["batch_id"]: row for row in decisions.iter_rows(named=True)}
    rows = [_row(key, finding, readings, names, decided.get(key)) for key, finding in batches.items()]
    return pl.DataFrame(rows, schema=schema).sort("to_at", "batch_id", descending=[True, False])


def histories(batches: Mapping[str, Finding], readings: Readings) -> pl.DataFrame:
    """What a few vehicles of each batch read around it, of one column, as it came and as converted.

    Returns:
        batch_id, vehicle_id, read_at, column_name, came, converted (null: the reading is not in the batch, or cannot be
        converted), held (bool).
    """
    schema = pl.Schema([
        ("batch_id", pl.String()), ("vehicle_id", pl.String()), ("read_at", pl.Datetime("us", "UTC")),
        ("column_name", pl.String()), ("came", pl.Float64()), ("converted", pl.Float64()), ("held", pl.Boolean()),
    ])  # fmt: skip
    waiting = {key: finding for key, finding in batches.items() if finding.needs_decision}
    if not readings.measured:
        return pl.DataFrame(schema=schema)
    whole = {key: finding for key, finding in waiting.items() if finding.is_whole}
    drawn = _most_off(whole, readings) | {
        key: max(finding.cells, key=lambda each, of=finding: len(of.cells[each]))  # type: ignore[misc]
        for key, finding in waiting.items()
        if not finding.is_whole
    }
    parts = [_history(key, finding, readings, drawn[key]) for key, finding in waiting.items()]
    return pl.concat([pl.DataFrame(schema=schema), *(part.cast(schema) for part in parts)])


def _most_off(batches: Mapping[str, Finding], readings: Readings) -> dict[str, str]:
    """Of batches of whole readings, the correction that is furthest from what their vehicles read else."""
    columns = [column for column in readings.measured if column.is_correction] or readings.measured
    every = np.concatenate([np.zeros(0, np.int64), *(finding.rows for finding in batches.values())])
    ends = np.cumsum([len(finding.rows) for finding in batches.values()])[:-1]

    def off(column: Measured) -> list[float]:
        usual = readings.usual(column)
        z = np.abs(readings.values_at(column.name, every) - usual.level[readings.vehicle[every]]) / usual.scale
        return [float(np.median(one[~np.isnan(one)])) if not np.isnan(one).all() else 0.0 for one in np.split(z, ends)]

    if not batches:
        return {}
    most = np.array([off(column) for column in columns]).argmax(axis=0)
    return {key: columns[place].name for key, place in zip(batches, most.tolist(), strict=True)}


def _history(key: str, finding: Finding, readings: Readings, name: str) -> pl.DataFrame:
    vehicles = np.unique(readings.vehicle[finding.rows])[:MOST_DRAWN]
    begin, end = readings.day[finding.rows].min() - DAYS_DRAWN, readings.day[finding.rows].max() + DAYS_DRAWN
    every = np.concatenate([np.arange(readings.start[v], readings.start[v + 1]) for v in vehicles])
    rows = every[(readings.day[every] >= begin) & (readings.day[every] <= end)]
    came = readings.values_at(name, rows)
    held = np.isin(rows, finding.rows)
    converted = np.where(held, finding.slip.righted(came), np.nan) if finding.slip else np.full(len(rows), np.nan)
    keys: pl.DataFrame = readings.frame.select("vehicle_id", "read_at")[rows]
    return keys.select(
        pl.lit(key).alias("batch_id"), "vehicle_id", "read_at", pl.lit(name).alias("column_name"),
        came=pl.Series(came).fill_nan(None), converted=pl.Series(converted).fill_nan(None), held=pl.Series(held),
    )  # fmt: skip


def _row(
    key: str, finding: Finding, readings: Readings, names: Mapping[int, tuple[str, str]], decided: dict[str, Any] | None
) -> dict[str, Any]:
    which = readings.frame.select("vehicle_id", "read_at")[finding.rows]
    vehicles = which["vehicle_id"].unique().sort()
    drop, file = names.get(finding.load_id, (None, None))
    otherwise = "open" if finding.needs_decision else "leave_out"
    return {
        "batch_id": key, "drop": drop, "file": file, "depot": finding.depot or None,
        "correction": next(iter(finding.cells)) if len(finding.cells) == 1 else EVERY_COLUMN,
        "vehicles": len(vehicles), "readings": which.height,
        "from_at": which["read_at"].min(), "to_at": which["read_at"].max(),
        "looks_like": finding.looks_like, "answers": "|".join(finding.answers),
        "decision": decided["decision"] if decided else otherwise,
        "decided_at": decided["decided_at"] if decided else None,
        "vehicle_ids": " ".join(vehicles[:MOST_NAMED]), "sure": finding.sure,
    }  # fmt: skip
