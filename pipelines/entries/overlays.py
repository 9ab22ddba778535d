"""Lays what people entered over the drops' rows: typed readings as snapshots, work done as work; no file, no clock."""

from dataclasses import replace
from datetime import datetime, timedelta

import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.entries.kinds import answers
from pipelines.entries.standing import counting
from pipelines.entries.typed_rows import typed_rows
from pipelines.handover import Evidence
from pipelines.intake.casting import Reading, cast
from pipelines.intake.checking import authority_of

KEY = ["vehicle_id", "read_at"]
SAME_WORK = timedelta(days=1)  # what a drop and an entry tell of one component of a vehicle within it is one work
TIME_OF = {answer.table: answer.time for of_kind in answers().values() for answer in of_kind.values() if answer.table}


def with_entries(evidence: Evidence, entries: pl.DataFrame) -> Evidence:
    """The evidence with what people entered as rows of drop tables; the same object where there is none.

    A cell that a drop has stands before one typed for the same moment; work that a drop brings, too, counts once.

    Args:
        evidence: What the drops say.
        entries: Those that count at its as_of, oldest first.
    """
    if entries.is_empty():
        return evidence
    known = entries.join(evidence.vehicles.select("vehicle_id"), on="vehicle_id", how="semi", maintain_order="left")
    typed, done = (_rows_of(known, table, evidence) for table in ("snapshots", "work"))
    if typed.height:
        evidence = replace(evidence, snapshots=_with_snapshots(evidence.snapshots, typed, evidence.corrections["code"]))
    return replace(evidence, work=_with_work(evidence.work, done)) if done.height else evidence


def _rows_of(entries: pl.DataFrame, table: str, evidence: Evidence) -> pl.DataFrame:
    """Rows of a drop table in the entries' details, up to as_of, with its columns; of one key the last entered one."""
    rows = rows_entered(entries, table, evidence.corrections)
    up_to = rows.filter(pl.col(TIME_OF[table]) <= evidence.as_of)
    key = drop_tables()[table].key
    return up_to.unique(key, keep="last", maintain_order=True).sort(key)


def rows_entered(entries: pl.DataFrame, table: str, catalogue: pl.DataFrame) -> pl.DataFrame:
    """Rows of `snapshots` or `work` that entries hold, in their order, each with its entry_id.

    All columns of the table are there; of corrections those of the catalogue that any of the rows reads.
    """
    chosen = _of_table(entries, table)
    shape = drop_tables()[table].schema
    if chosen.is_empty():
        return pl.DataFrame(schema={**shape, "entry_id": pl.String})
    typed = typed_rows(
        chosen["vehicle_id"].to_list(), chosen["detail"].to_list(), table, authority=authority_of(catalogue)
    ).checked.rows
    codes = [code for code in catalogue["code"] if code in typed.columns and code not in shape and typed[code].count()]
    return typed.select(
        *(pl.col(name) if name in typed.columns else pl.lit(None, dtype).alias(name) for name, dtype in shape.items()),
        *codes,
        entry_id=chosen["entry_id"].gather(typed["row_number"]),
    ).cast(shape)


def newest_entry(record: pl.DataFrame) -> datetime | None:
    """When the newest entry was entered, or a typed row that counts was read or done; None: nothing was entered."""
    if record.is_empty():
        return None
    standing = counting(record)
    times = [record["entered_at"]]
    for table, name in TIME_OF.items():
        said = _of_table(standing, table)["detail"].str.json_path_match(f"$.{name}")
        times.append(cast(said, "time", Reading()).alias("entered_at"))
    newest = pl.concat(times).max()
    return newest if isinstance(newest, datetime) else None


def _of_table(entries: pl.DataFrame, table: str) -> pl.DataFrame:
    """Those whose detail is a row of a drop table."""
    said = [
        (kind, value) for kind, of_kind in answers().items() for value, each in of_kind.items() if each.table == table
    ]
    which = pl.DataFrame(said, schema=["kind", "value"], orient="row")
    with_value = entries.with_columns(pl.col("value").fill_null(""))
    return with_value.join(which, on=["kind", "value"], how="semi", maintain_order="left")


def _with_snapshots(snapshots: pl.DataFrame, typed: pl.DataFrame, codes: pl.Series) -> pl.DataFrame:
    typed = typed.drop("entry_id")
    both = snapshots.join(typed, on=KEY, how="full", coalesce=True, suffix=" typed")
    shared = [name for name in typed.columns if name in snapshots.columns and name not in KEY]
    both = both.with_columns(pl.coalesce(name, f"{name} typed").alias(name) for name in shared)
    contract = drop_tables()["snapshots"].schema.names()
    return both.select(*contract, *(c for c in codes if c in both.columns and c not in contract)).sort(KEY)


def _with_work(work: pl.DataFrame, done: pl.DataFrame) -> pl.DataFrame:
    """Work of both; an entry's is left out where a drop's is the same: without a component the kind must agree too."""
    beside = done.join(work, on=["vehicle_id", "component"], how="inner", nulls_equal=True, suffix=" of drop")
    same = beside.filter(
        (pl.col("done_at") - pl.col("done_at of drop")).abs() <= SAME_WORK,
        pl.col("component").is_not_null() | (pl.col("kind") == pl.col("kind of drop")),
    )
    fresh = done.filter(~pl.col("entry_id").is_in(same["entry_id"].implode())).select(work.columns)
    return pl.concat([work, fresh]).sort(drop_tables()["work"].key)
