"""Writes rows into Delta tables and says which files hold them then; the one place that knows the library for it."""

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

import duckdb
import pyarrow as pa

from pipelines.errors import StoreError, one_line
from pipelines.store.connection import quoted
from pipelines.store.partitioned_state import AS_OF, BUCKET, FAMILY, ROW, PartitionedTable, TableFile, as_stored
from pipelines.store.pointer import sync

if TYPE_CHECKING:
    from deltalake import DeltaTable

GROUP_ROWS = 20_480  # of a row group, the unit that a read of one vehicle can skip; a sixth of DuckDB's own
WITHOUT = "Partitioned stores are written with deltalake, which is not installed: pip install 'leeway[cluster]'."


def append(connection: duckdb.DuckDBPyConnection, folder: Path, table: PartitionedTable, rows: str) -> PartitionedTable:
    """Add rows to a table.

    Args:
        connection: Where `rows` can be asked.
        folder: The store's.
        table: As it is; with columns that its files need not have yet.
        rows: As SQL: columns of the table, those of its partitions and `~row`, in the order in which they are to lie.

    Returns:
        The table then.

    Raises:
        StoreError: the library is not installed.
    """
    return _write(connection, folder, table, rows, mode="append")


def overwrite(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    table: PartitionedTable,
    rows: str,
    predicate: str | None = None,
) -> PartitionedTable:
    """Put rows in the place of those that fulfil the predicate; None: of all, and with them of their columns."""
    return _write(connection, folder, table, rows, mode="overwrite", predicate=predicate)


def in_partitions(table: PartitionedTable, partitions: Sequence[tuple[Any, ...]]) -> str:
    """The rows of some partitions as a predicate; each has a value for each column that the table is partitioned by."""
    return " OR ".join(
        "(" + " AND ".join(_is(name, value) for name, value in zip(table.partitions, partition, strict=True)) + ")"
        for partition in partitions
    )


def _is(name: str, value: object) -> str:
    if value is None:
        return f"{quoted(name)} IS NULL"
    text = str(value).replace("'", "''")
    return f"{quoted(name)} = {value}" if isinstance(value, int) else f"{quoted(name)} = '{text}'"


def _write(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    table: PartitionedTable,
    rows: str,
    *,
    mode: Any,
    predicate: str | None = None,
) -> PartitionedTable:
    try:
        from deltalake import DeltaTable, WriterProperties, write_deltalake  # noqa: PLC0415 - only writers need it
        from deltalake.exceptions import DeltaError  # noqa: PLC0415
    except ImportError as error:
        raise StoreError(WITHOUT) from error
    place = folder / table.folder
    if table.version is None:
        shutil.rmtree(place, ignore_errors=True)  # of a command that was stopped before its state counted
        place.mkdir(parents=True)
        target = None
    else:
        target = DeltaTable(place)
        _as_the_state_names_it(target, table)
    columns = ", ".join([as_stored(table.columns.items()), *map(quoted, (ROW, *table.partitions))])
    came = connection.sql(f"SELECT {columns} FROM ({rows})").to_arrow_reader(GROUP_ROWS)
    whole = mode == "overwrite" and predicate is None
    try:
        write_deltalake(
            target or place,
            came,
            partition_by=table.partitions or None,
            mode=mode,
            predicate=predicate,
            schema_mode=None if table.version is None else "overwrite" if whole else "merge",
            writer_properties=WriterProperties(compression="ZSTD", compression_level=1, max_row_group_size=GROUP_ROWS),
        )
    except (DeltaError, OSError) as error:
        raise StoreError(f"{place}: {one_line(error)}. Nothing was changed; free space or permissions?") from error
    written = target or DeltaTable(place)
    parts = _parts(written, table)
    _settle(place, table, parts)
    return replace(table, version=written.version(), parts=parts)


def _as_the_state_names_it(written: "DeltaTable", table: PartitionedTable) -> None:
    """Undo what a command wrote that was stopped before its state counted."""
    if {part.path for part in _parts(written, table)} != {part.path for part in table.parts}:
        written.restore(table.version if table.version is not None else 0)


def _parts(written: "DeltaTable", table: PartitionedTable) -> tuple[TableFile, ...]:
    rows = pa.table(written.get_add_actions(flatten=True)).to_pylist()
    names = {FAMILY: "family", BUCKET: "bucket", AS_OF: "as_of"}
    parts = [
        TableFile(
            path=unquote(row["path"]),
            size=row["size_bytes"],
            rows=row["num_records"],
            **{names[each]: row[f"partition.{each}"] for each in table.partitions},
        )
        for row in rows
    ]
    return tuple(sorted(parts, key=lambda part: part.path))


def _settle(place: Path, before: PartitionedTable, parts: Sequence[TableFile]) -> None:
    """Wait until new files, new entries of the log, and the names of all of them are on the disk."""
    old = {part.path for part in before.parts}
    logs = [log for log in (place / "_delta_log").glob("*.json") if int(log.stem) >= (before.version or 0)]
    files = [*(place / part.path for part in parts if part.path not in old), *logs]
    for file in files:
        sync(file)
    for folder in {parent for file in files for parent in file.parents if parent.is_relative_to(place)}:
        sync(folder)
    if before.version is None:
        for folder in place.parents[:3]:  # of the schema, of all tables, of the store
            sync(folder)
