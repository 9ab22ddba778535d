"""The stage `held`: readings as they came in, what the later stages may rest on out, with what is held beside it.

Judged are batches: the rows of one file and depot that look like one thing. Nothing depends on the order of loads, and
nothing is looked at but what is known; a decision counts whatever the time, since it says what a reading was.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Bools, HeldReadings, Int64s
from pipelines.held.applying import (
    KEY,
    at_rows,
    cells_of,
    moved,
    righted,
    rows_in,
    whole_readings,
    with_cells_of,
    without,
)
from pipelines.held.batches import batches_told, held_reading, histories, with_ids
from pipelines.held.finding import Batch, Finding
from pipelines.held.identity import foreign_readings
from pipelines.held.misreads import misread_values
from pipelines.held.readings import Readings
from pipelines.held.repeats import repeated_readings
from pipelines.held.units import SEVERAL, unit_slips

DECISIONS = pl.Schema([
    ("batch_id", pl.String()), ("decision", pl.String()), ("decided_at", pl.Datetime("us", "UTC")),
])  # fmt: skip


LOADS = ("load_id", "readings_load_id")
BEFOREHAND = pl.Schema(list(DECISIONS.items())[:2])


@dataclass(frozen=True, kw_only=True)
class Withheld:
    """Snapshots that stages may rest on (none where what is of vehicles lies apart), faults the same, what is held."""

    snapshots: pl.DataFrame
    faults: pl.DataFrame
    held: HeldReadings


def withhold(
    readings: Readings,
    faults: pl.DataFrame,
    work: pl.DataFrame,
    *,
    loads: pl.DataFrame,
    decisions: pl.DataFrame,
    standing: Mapping[tuple[str, str], str] = MappingProxyType({}),
    whole: Readings | None = None,
) -> Withheld:
    """Take out of the readings what is held, and do to them what was decided.

    Args:
        readings: What is known at `as_of`.
        work: The same.
        faults: The same; those found at a reading that is held as a whole, or another vehicle's, go with it.
        loads: load_id, drop_name, file, content_hash of every file.
        decisions: The last of each batch: columns as of `DECISIONS`.
        standing: Answers given beforehand, by what a batch looks like and its depot or reader.
        whole: All that is known, later readings too: what was decided is looked for there; None: `readings`.
    """
    said = dict(decisions.select("batch_id", "decision").iter_rows())
    told = batches_told(said, whole or readings, loads) if said else frozenset()
    found = with_ids(judge(whole or readings, work, told=told), loads)
    # What a batch does not offer, entered before it was known, decides nothing.
    said = {key: answer for key, answer in said.items() if key not in found or answer in found[key].answers}
    beforehand = {
        key: answer
        for key, finding in found.items()
        if key not in said and (answer := _answered(finding, whole or readings, standing))
    }
    said |= beforehand
    decisions = pl.concat([decisions, pl.DataFrame(list(beforehand.items()), BEFOREHAND, orient="row")], how="diagonal")
    decided = {key: finding for key, finding in found.items() if key in said}
    if whole is not None:
        place = rows_in(whole.frame, readings.frame)
        decided = {key: here for key, finding in decided.items() if (here := at_rows(finding, place))}
    convert = [finding for key, finding in decided.items() if said[key] == "convert"]
    others = {key: finding for key, finding in decided.items() if said[key] != "convert"}
    now, was = righted(readings, convert)
    others = {key: moved(finding, was) for key, finding in others.items()}
    if convert or whole is not None:
        found = with_ids(judge(now, work, held=cells_of(list(others.values()), now)), loads)
    waiting = {key: finding for key, finding in found.items() if key not in said}
    held = [*waiting.values(), *(finding for key, finding in others.items() if said[key] == "leave_out")]
    cells, gone = cells_of([f for f in held if not f.is_whole], now), whole_readings(held, now.rows)
    tables = [
        held_reading(waiting, now, loads=loads, decisions=decisions),
        held_reading(decided, readings, loads=loads, decisions=decisions),
    ]
    return Withheld(
        snapshots=drop_tables()["snapshots"].empty() if now.apart else without(now.frame, cells, gone).drop(LOADS),
        faults=_faults(faults, readings, now, was, gone),
        held=HeldReadings(
            histories=pl.concat([histories(waiting, now), histories(decided, readings)]),
            batches=pl.concat(tables).sort("to_at", "batch_id", descending=[True, False]),
            readings=_held_rows(now, [finding for finding in held if finding.needs_decision]),
            newest=_newest(now, cells, gone),
            cells=pl.concat([_left_out(readings, was, cells, gone), _changed(readings, now, was, convert)]),
        ),
    )


def _answered(finding: Finding, readings: Readings, standing: Mapping[tuple[str, str], str]) -> str | None:
    """What was answered beforehand of batches like this one, of its depot or of the only reader that it is of."""
    readers = readings.column("reader").gather(finding.rows).unique().to_list() if standing else []
    places = [finding.depot, *(reader for reader in readers if reader and len(readers) == 1)]
    answers = [standing[finding.looks_like, place] for place in places if (finding.looks_like, place) in standing]
    return next((answer for answer in answers if answer in finding.answers), None)


def with_cells(readings: Readings, faults: pl.DataFrame, cells: pl.DataFrame) -> Withheld:
    """The readings of some vehicles with what an analysis held or changed (`HeldReadings.cells`).

    Readings that it found to be another vehicle's are not shown under either of the two.
    """
    foreign = pl.col("column_name").is_null() | pl.col("of").is_not_null()
    gone = cells.filter(foreign).select(KEY)
    return Withheld(
        snapshots=_set(readings.frame.join(gone, on=KEY, how="anti"), cells).drop(LOADS),
        faults=faults.join(gone, on=KEY, how="anti"),
        held=replace(HeldReadings.none(), cells=cells),
    )


def as_withheld(readings: Readings, faults: pl.DataFrame, held: HeldReadings, vehicle_ids: Sequence[str]) -> Withheld:
    """The readings of some vehicles as they are among all, of which what is held was judged before.

    Args:
        readings: Of these vehicles, and of those whose readings turned out to be theirs (`held.cells`).
        faults: Of the same.
        held: What was judged among all.
        vehicle_ids: The vehicles.
    """
    cells, ours = held.cells, pl.col("vehicle_id").is_in(list(vehicle_ids))
    whole = cells.filter(pl.col("column_name").is_null())
    gone = whole.filter(pl.col("of").is_null()).select(KEY)
    moved_to = whole.filter(pl.col("of").is_not_null()).select(*KEY, "of")

    def theirs(frame: pl.DataFrame, order: list[str]) -> pl.DataFrame:
        kept = frame.join(gone, on=KEY, how="anti").join(moved_to, on=KEY, how="left", maintain_order="left")
        return (
            kept.with_columns(pl.coalesce("of", "vehicle_id").alias("vehicle_id")).drop("of").filter(ours).sort(order)
        )

    return Withheld(
        snapshots=theirs(_set(readings.frame, cells), KEY).drop(LOADS),
        faults=theirs(faults, [*KEY, "code"]),
        held=HeldReadings.none().having(held, vehicle_ids),
    )


def _set(frame: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """The readings with single cells changed; what is left out stays out, whatever else was done to it."""
    single = cells.filter(pl.col("column_name").is_not_null()).join(frame.select(KEY), on=KEY, how="semi")
    for (name,), mine in single.group_by("column_name"):
        if name in frame.columns:
            new = mine.select(*KEY, pl.col("value").alias("new"), changed=pl.lit(value=True))
            once = new.sort("new", nulls_last=False).unique(KEY, keep="first", maintain_order=True)
            joined = frame.join(once, on=KEY, how="left", maintain_order="left")
            value = pl.when("changed").then(pl.col("new").cast(frame.schema[str(name)])).otherwise(str(name))
            frame = joined.with_columns(value.alias(str(name))).drop("new", "changed")
    return frame


def _left_out(readings: Readings, was: Int64s, cells: Mapping[str, Int64s], gone: Bools) -> pl.DataFrame:
    """Rows of `HeldReadings.cells` for what is left out; of rows that have changed places."""
    keys = readings.frame.select(KEY)
    frames: list[pl.DataFrame] = [
        keys[was[rows]].select(*KEY, column_name=pl.lit(name, pl.String), value=pl.lit(None))
        for name, rows in ((None, np.flatnonzero(gone)), *cells.items())
        if len(rows)
    ]
    schema = HeldReadings.none().cells.schema
    return pl.concat([pl.DataFrame(schema=schema), *(f.with_columns(of=pl.lit(None)).cast(schema) for f in frames)])


def _changed(readings: Readings, now: Readings, was: Int64s, converted: Sequence[Finding]) -> pl.DataFrame:
    """The same for what was converted."""
    place = np.empty(len(was), np.int64)
    place[was] = np.arange(len(was))
    schema = HeldReadings.none().cells.schema
    parts, key = [pl.DataFrame(schema=schema)], readings.frame.select(KEY)
    for finding in converted:
        if finding.belongs_to is not None:
            keys = key[finding.rows].select(*KEY, column_name=pl.lit(None), value=pl.lit(None))
            parts.append(keys.with_columns(of=finding.belongs_to).cast(schema))
        for name, rows in finding.cells.items():
            keys = key[rows].select(*KEY, column_name=pl.lit(name))
            value = now.column(name).gather(place[rows]).cast(pl.Float64).fill_nan(None)
            parts.append(keys.with_columns(value=value, of=pl.lit(None)).cast(schema))
    return pl.concat(parts)


def _faults(faults: pl.DataFrame, readings: Readings, now: Readings, was: Int64s, gone: Bools) -> pl.DataFrame:
    """Codes found at readings that are another vehicle's go to that one, those at readings that are held go out."""
    before = readings.frame["vehicle_id"].gather(was)
    other = before != now.frame["vehicle_id"]
    if not (gone.any() or other.any()):
        return faults
    keys = now.frame.select("read_at", vehicle_id=before, of=pl.col("vehicle_id"), gone=pl.Series(gone))
    marked = faults.join(keys, on=KEY, how="left", maintain_order="left").filter(~pl.col("gone").fill_null(value=False))
    moved_to = pl.coalesce("of", "vehicle_id").alias("vehicle_id")
    return marked.with_columns(moved_to).select(faults.columns).sort(*KEY, "code")


def _held_rows(readings: Readings, held: Sequence[Finding]) -> pl.DataFrame:
    """vehicle_id, read_at of readings with held cells, and `corrections`: whether they say nothing of the vehicle.

    One column that slipped leaves a reading that says what all others say.
    """
    rows, whole = np.zeros(readings.rows, np.bool_), np.zeros(readings.rows, np.bool_)
    count = np.zeros(readings.rows, np.int64)
    codes = set(readings.catalogue["code"])
    for finding in held:
        rows[finding.rows] = True
        whole[finding.rows] |= finding.is_whole
        for name, which in finding.cells.items():
            count[which] += name in codes
    which = np.flatnonzero(rows)
    corrections = [column.name for column in readings.measured if column.is_correction] if len(which) else []
    read = sum((~np.isnan(readings.values_at(name, which)) for name in corrections), np.zeros(len(which), np.int64))
    count, whole = count[which], whole[which]
    several = (count >= SEVERAL) | ((count > 0) & (2 * count >= read))
    return readings.frame.select(KEY)[which].with_columns(corrections=pl.Series(whole | several))


def _newest(readings: Readings, cells: Mapping[str, Int64s], gone: Bools) -> pl.DataFrame:
    """Of vehicles whose newest reading is held: vehicle_id, correction (null: every), and how many of them (`held`)."""
    codes = set(readings.catalogue["code"])
    last = readings.start[1:] - 1
    parts = [pl.DataFrame({"vehicle_id": readings.names.filter(pl.Series(gone[last])), "correction": None, "held": 0})]
    for name, rows in cells.items():
        if name not in codes:
            continue
        mask = np.zeros(readings.rows, np.bool_)
        mask[rows] = True
        good = np.where(~mask & ~gone, np.arange(readings.rows), -1)
        newest_good = np.maximum.reduceat(good, readings.start[:-1])
        counted = np.concatenate(([0], np.cumsum(mask & ~gone)))
        since = counted[readings.start[1:]] - counted[np.maximum(newest_good, readings.start[:-1] - 1) + 1]
        which = (mask | gone)[last] & (since > 0)
        parts.append(pl.DataFrame({
            "vehicle_id": readings.names.filter(pl.Series(which)), "correction": name, "held": since[which],
        }))  # fmt: skip
    schema = pl.Schema({"vehicle_id": pl.String, "correction": pl.String, "held": pl.Int64})
    return pl.concat([part.cast(schema) for part in parts])


def judge(
    readings: Readings, work: pl.DataFrame, *, told: Collection[Batch] = (), held: Mapping[str, Int64s] | None = None
) -> list[Finding]:
    """Every batch that is not what it says, one per file, depot and what it looks like.

    Args:
        readings: What is known.
        work: The same; a replaced module may bring another vehicle's history.
        told: Batches that a person knows: less must show that they are so.
        held: Column -> rows that are spoken for already.
    """
    if not readings.rows:
        return []
    known, found, spoken = dict(held or {}), list[Finding](), 0
    judges: tuple[Callable[[], list[Finding]], ...] = (
        lambda: unit_slips(readings, known, told=told),
        lambda: foreign_readings(readings, known, work),
        lambda: repeated_readings(readings, known),
        lambda: misread_values(readings, known),
    )
    for judged in judges:
        known = with_cells_of(known, found[spoken:], readings)
        spoken = len(found)
        found += judged()
    return _merged(found)


def _merged(findings: Sequence[Finding]) -> list[Finding]:
    by: dict[tuple[int, str, str, str], list[Finding]] = {}
    for finding in findings:
        by.setdefault((finding.load_id, finding.depot, finding.looks_like, finding.about), []).append(finding)
    return [parts[0] if len(parts) == 1 else _together(parts) for parts in by.values()]


def _together(parts: Sequence[Finding]) -> Finding:
    cells: dict[str, list[Int64s]] = {}
    for part in parts:
        for name, rows in part.cells.items():
            cells.setdefault(name, []).append(rows)
    return replace(
        parts[0],
        rows=np.unique(np.concatenate([part.rows for part in parts])),
        cells={name: np.unique(np.concatenate(rows)) for name, rows in cells.items()},
        sure=sum(part.sure for part in parts),
    )
