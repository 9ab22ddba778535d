"""A state of partitioned tables as a file: of each table its columns, its Delta version, and the files of that version.

The rows lie in Delta tables below `tables/`; the state names one version of each, so that all are seen at once or none.
Its list of files is what that version holds, so that readers need neither the logs nor the library that writes them.
"""

import json
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import duckdb

from pipelines.store.connection import quoted
from pipelines.store.pointer import TABLES
from pipelines.store.table_places import TablePlace, place_of

FORM, FORM_AT_ADDRESS = 1, 2  # of the file: releases before know the first alone
# Columns that the tables have beside those of a store; no correction can have such a name in a file of the contract.
ROW = "~row"  # number of a row, in the order in which rows came
FAMILY, BUCKET = "~family", "~bucket"  # by which raw tables of vehicles are partitioned
AS_OF = "~as_of"  # by which published ones are
# SQL types that a file holds as they are; any other is written as text, which is lossless.
DIRECT = {"VARCHAR", "BIGINT", "INTEGER", "SMALLINT", "TINYINT", "DOUBLE", "FLOAT", "BOOLEAN", "DATE", "DOUBLE[]",
          "TIMESTAMP WITH TIME ZONE"}  # fmt: skip
# Raw tables with a vehicle that are small enough to be read whole, as those are without one.
WHOLE = {"vehicles", "vehicles_replaced", "vehicles_repeated", "flags"}


@dataclass(frozen=True, kw_only=True)
class TableFile:
    """A file of a table.

    path: Below the table's folder.
    size: Its bytes.
    rows: How many it holds.
    family, bucket, as_of: The partition; None: the table has no such column, or it is null.
    """

    path: str
    size: int
    rows: int
    family: str | None = None
    bucket: int | None = None
    as_of: str | None = None


@dataclass(frozen=True, kw_only=True)
class PartitionedTable:
    """One table in one version.

    schema, name: As the store calls it.
    columns: Name -> SQL type, in their order.
    version: Of the Delta table; None: it never had a row, and there is none.
    next_row: Number of the next row that comes.
    parts: Its files.
    """

    schema: str
    name: str
    columns: dict[str, str]
    version: int | None = None
    next_row: int = 0
    parts: tuple[TableFile, ...] = ()

    @property
    def folder(self) -> str:
        """Below the store's folder."""
        return f"{TABLES}/{self.schema}/{self.name}"

    @property
    def place(self) -> str:
        """The table's name as SQL."""
        return f"{quoted(self.schema)}.{quoted(self.name)}"

    @property
    def partitions(self) -> list[str]:
        """Columns that the table is partitioned by."""
        if self.schema == "published":
            return [AS_OF]
        return [FAMILY, BUCKET] if "vehicle_id" in self.columns and self.name not in WHOLE else []

    @property
    def rows(self) -> int:
        """How many there are."""
        return sum(part.rows for part in self.parts)


@dataclass(frozen=True, kw_only=True)
class State:
    """All tables of a state.

    buckets: Among how many a family's vehicles are spread.
    address: Of an object store, where the tables lie; None: in the store's folder.
    tables: Every table of the store, those without rows too.
    """

    buckets: int
    address: str | None = None
    tables: tuple[PartitionedTable, ...] = field(default=())

    def table(self, schema: str, name: str) -> PartitionedTable | None:
        """One of them; None: there is no such table."""
        return next((each for each in self.tables if (each.schema, each.name) == (schema, name)), None)

    @property
    def sizes(self) -> dict[str, int]:
        """Bytes of every file, by its path below the place of the tables."""
        return {f"{table.folder}/{part.path}": part.size for table in self.tables for part in table.parts}

    def place(self, folder: Path) -> TablePlace:
        """Where the tables lie, of a store in a folder."""
        return place_of(folder, self.address)

    def with_table(self, table: PartitionedTable) -> "State":
        """The state with this table in the place of the one of its name."""
        others = tuple(each for each in self.tables if each.place != table.place)
        return replace(self, tables=(*others, table))


def read_state(file: Path) -> State:
    """What a state names.

    Raises:
        duckdb.Error: it is damaged, or a newer release wrote it.
    """
    try:
        came = json.loads(file.read_text(encoding="utf-8"))
        if came["form"] not in {FORM, FORM_AT_ADDRESS}:
            raise duckdb.Error(f"names tables in form {came['form']}, this release knows {FORM_AT_ADDRESS}")
        tables = tuple(
            PartitionedTable(**{**each, "parts": tuple(TableFile(**part) for part in each["parts"])})
            for each in came["tables"]
        )
        return State(buckets=int(came["buckets"]), address=came.get("address"), tables=tables)
    except (KeyError, TypeError, ValueError) as error:
        raise duckdb.Error("names no tables") from error


def write_state(state: State, file: Path) -> None:
    """Write a state's file; it counts once the pointer names it."""
    tables = [{**vars(each), "parts": [vars(part) for part in each.parts]} for each in state.tables]
    came = {"form": FORM, "buckets": state.buckets, "tables": tables}
    if state.address is not None:
        came |= {"form": FORM_AT_ADDRESS, "address": state.address}
    file.write_text(json.dumps(came, indent=1), encoding="utf-8")


def bucket_of(vehicle_id: str, buckets: int) -> int:
    """The bucket of a vehicle: equal ranges of the CRC-32 of its number, which is the same on every machine."""
    return zlib.crc32(vehicle_id.encode()) * buckets >> 32


def stored_rows(table: PartitionedTable, place: TablePlace, parts: Sequence[TableFile] | None = None) -> str:
    """The rows of a table as SQL: its columns, and their number as `rowid`.

    Args:
        table: Which.
        place: Where its files lie.
        parts: Files to read; None: all.
    """
    chosen = table.parts if parts is None else parts
    typed = {name: kind if kind in DIRECT else "VARCHAR" for name, kind in table.columns.items()}
    empty = ", ".join(f"NULL::{kind} AS {quoted(name)}" for name, kind in {ROW: "BIGINT", **typed}.items())
    source = f"SELECT {empty} WHERE false"  # says the type of a column that no file has yet
    if chosen:
        named = ", ".join(f"'{_named(table, place, part)}'" for part in chosen)
        source += (
            f" UNION ALL BY NAME SELECT * FROM read_parquet([{named}], union_by_name = true, hive_partitioning = false)"
        )
    columns = ", ".join(_read(name, kind) for name, kind in table.columns.items())
    return f"SELECT {quoted(ROW)} AS rowid, {columns} FROM ({source})"


def as_stored(columns: Iterable[tuple[str, str]]) -> str:
    """The same columns as they are written, as SQL."""
    return ", ".join(
        quoted(name) if kind in DIRECT else f"{quoted(name)}::VARCHAR AS {quoted(name)}" for name, kind in columns
    )


def _read(name: str, kind: str) -> str:
    return quoted(name) if kind in DIRECT else f"{quoted(name)}::{kind} AS {quoted(name)}"


def _named(table: PartitionedTable, place: TablePlace, part: TableFile) -> str:
    return place.named(f"{table.folder}/{part.path}").replace("'", "''")
