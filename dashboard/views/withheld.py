"""Batches of readings that wait for a decision, or had one: what each looks like, how sure, and the answers."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.views.joined import in_kind_of
from dashboard.views.wording import Reader, count, listed
from pipelines.entries.entry import Entry
from pipelines.held.finding import EXCHANGED, FOREIGN, REPEATED
from pipelines.held.words import UNITS

ANSWERS = {"convert": "Convert", "keep": "Keep as they came", "leave_out": "Leave out"}
SAID = {"convert": "converted", "keep": "kept as they came", "leave_out": "left out"}
COLUMNS = {
    "odometer_km": "odometer", "ignition_hours": "module clock", "ambient_c": "outside temperature",
    "coolant_c": "coolant temperature", "baro_kpa": "barometric pressure", "battery_v": "battery voltage",
    "fuel_level_pct": "fuel level", "km_since_clear": "distance since codes were cleared",
}  # fmt: skip
VERY_SURE, SURE = 30.0, 18.0  # nats: odds of more than a million million, of a million to one
FEW = 6  # vehicles that a sentence names


@dataclass(frozen=True, kw_only=True)
class Batch:
    """One batch for the page.

    Attributes:
        batch_id: What a decision names.
        sentence: What it looks like, where, since when.
        doubt: How sure that is.
        answers: Answer -> words of its button.
        decided: What was decided, in words; empty: nothing yet.
        entry_id: The decision, if it was entered since the analysis or before; empty: none.
        history: Readings around it, for its chart: vehicle_id, read_at, kind, value.
        column: Of the chart.
    """

    batch_id: str
    sentence: str
    doubt: str
    answers: dict[str, str]
    decided: str
    entry_id: str
    history: pl.DataFrame
    column: str


def batches(
    held_reading: pl.DataFrame, histories: pl.DataFrame, entries: pl.DataFrame, names: Mapping[str, str], reader: Reader
) -> list[Batch]:
    """Those that a person is asked about, the newest first.

    Args:
        held_reading: The contract's table, with vehicle_ids and sure.
        histories: `held_history`.
        entries: Those that count now; one newer than the analysis stands before what was published.
        names: Titles of columns.
        reader: Whose zone.
    """
    said = entries.filter(pl.col("kind") == "held").sort("entry_id").unique("subject", keep="last")
    newest = {row["subject"]: row for row in said.iter_rows(named=True)}
    asked = held_reading.filter(~((pl.col("decision") == "leave_out") & pl.col("decided_at").is_null()))
    return [_batch(row, histories, newest.get(row["batch_id"]), names, reader) for row in asked.iter_rows(named=True)]


def headline(found: list[Batch], held_reading: pl.DataFrame) -> str:
    """How much waits, and how many values were left out without a question."""
    waiting = sum(not batch.decided for batch in found)
    alone = left_out_alone(held_reading)
    left = f" {count(int(alone['readings'].sum()), 'reading')} with a misread value: the value is left out."
    waits = (
        f"{count(waiting, 'batch', 'batches').capitalize()} of readings "
        f"{'is' if waiting == 1 else 'are'} withheld until decided; no figure rests on them."
    )
    return (waits if waiting else "Nothing is withheld.") + (left if alone.height else "")


def left_out_alone(held_reading: pl.DataFrame) -> pl.DataFrame:
    """Single misread values, which need no decision: a row a file and depot."""
    alone = held_reading.filter((pl.col("decision") == "leave_out") & pl.col("decided_at").is_null())
    return alone.select("drop", "file", "depot", "vehicles", "readings", "vehicle_ids")


@dataclass(frozen=True, kw_only=True)
class Decision:
    """A click on a batch's button.

    Attributes:
        batch: Which.
        answer: One of its answers; empty: the decision is taken back.
        name: Of the one who decides.
        client_key: Under which it is entered once, however often it is sent.
    """

    batch: Batch
    answer: str
    name: str
    client_key: str

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""
        return "" if self.name else "Say who decides: your name stands above."

    def entry(self, who: str) -> Entry:
        """The entry that it becomes."""
        if not self.answer:
            return Entry(kind=None, who=who, withdraws=self.batch.entry_id, client_key=self.client_key)
        return Entry(kind="held", who=who, subject=self.batch.batch_id, value=self.answer, client_key=self.client_key)


def _batch(
    row: Mapping[str, Any], histories: pl.DataFrame, entry: Mapping[str, Any] | None, names: Mapping[str, str],
    reader: Reader,
) -> Batch:  # fmt: skip
    history, column = _history(row["batch_id"], histories, names)
    where = f" of {row['depot']}" if row["depot"] else ""
    vehicles = (row.get("vehicle_ids") or "").split()
    named = f" ({listed(vehicles)})" if 0 < len(vehicles) <= FEW and len(vehicles) == row["vehicles"] else ""
    decided = f"Decided: {SAID[entry['value']]}, on {reader.day(entry['entered_at'])}." if entry else ""
    return Batch(
        batch_id=row["batch_id"],
        sentence=f"{_what(row, vehicles, names)}. "
        f"{count(row['readings'], 'reading')} of {count(row['vehicles'], 'vehicle')}{where}{named}, "
        f"{reader.day(row['from_at'])} to {reader.day(row['to_at'])}, in {row['drop']}/{row['file']}.",
        doubt=_doubt(row.get("sure")),
        answers={answer: ANSWERS[answer] for answer in row["answers"].split("|")},
        decided=decided,
        entry_id=entry["entry_id"] if entry else "",
        history=history,
        column=column,
    )


def _what(row: Mapping[str, Any], vehicles: list[str], names: Mapping[str, str]) -> str:
    """What a batch looks like, without a full stop."""
    looks_like = str(row["looks_like"])
    if looks_like.startswith(EXCHANGED):
        return f"{listed(vehicles)} look exchanged with each other"
    if looks_like.startswith(FOREIGN):
        return f"{listed(vehicles)} reads {looks_like}, which its module seems to have brought"
    if looks_like == REPEATED:
        return "Old values look repeated, reading after reading"
    lost, _, times = looks_like.partition(": ")
    several = row["correction"] == "*"
    column = "several columns" if several else _titled(row["correction"], names)
    said = f"{times}: a {lost}" if times else f"like {UNITS.get(looks_like, looks_like)}"
    return f"{column[:1].upper()}{column[1:]} look{'' if several else 's'} {said}"


def _titled(column: str, names: Mapping[str, str]) -> str:
    return names.get(column) or COLUMNS.get(column, column)


def _doubt(sure: float | None) -> str:
    if sure is None:
        return ""
    if sure >= VERY_SURE:
        return "As good as certain: nothing else that happens to vehicles explains it."
    return "Very likely." if sure >= SURE else "Likely: look at the chart first."


def _history(batch_id: str, histories: pl.DataFrame, names: Mapping[str, str]) -> tuple[pl.DataFrame, str]:
    """vehicle_id, read_at, kind, value of the chart, and the title of its column."""
    if not histories.height:
        return pl.DataFrame(schema=["vehicle_id", "read_at", "kind", "value"]), ""
    mine = histories.filter(pl.col("batch_id") == batch_id)
    kinds = [
        mine.filter(~pl.col("held")).select("vehicle_id", "read_at", kind=pl.lit("other readings"), value="came"),
        mine.filter("held").select("vehicle_id", "read_at", kind=pl.lit("as they came"), value="came"),
        mine.filter("held").select("vehicle_id", "read_at", kind=pl.lit("as converted"), value="converted"),
    ]
    name = mine["column_name"][0] if mine.height else ""
    return pl.concat(kinds).drop_nulls("value"), _titled(name, names)


def as_it_stands(values: pl.DataFrame, cells: pl.DataFrame, code: str) -> pl.DataFrame:
    """The readings of one correction that are evidence: without what is withheld, converted where that was decided.

    Args:
        values: `vehicle_id, read_at, value` and more, as they came.
        cells: The published `held_cell`; without columns: an older release published none.
        code: Of the correction.
    """
    if not cells.width or not cells.height:
        return values
    key = ["vehicle_id", "read_at"]
    foreign = pl.col("column_name").is_null() | pl.col("of").is_not_null()
    cells = in_kind_of(cells.filter(foreign | (pl.col("column_name") == code)), values)
    touched = pl.col("vehicle_id").is_in(cells["vehicle_id"].unique().implode())
    untouched, values = values.filter(~touched), values.filter(touched)  # most vehicles, of a million readings
    new = cells.filter(~foreign, pl.col("column_name") == code).select(*key, new="value", changed=pl.lit(value=True))
    stands = (
        values.join(cells.filter(foreign), on=key, how="anti", maintain_order="left")
        .join(new, on=key, how="left", maintain_order="left")
        .with_columns(value=pl.when("changed").then("new").otherwise("value"))
        .drop("new", "changed")
        .drop_nulls("value")
    )
    return pl.concat([untouched, stands])
