"""Writes rows into Delta tables and says which files hold them then; the one place that knows the library for it."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

import duckdb
import pyarrow as pa

from pipelines.errors import StoreError
from pipelines.store.connection import quoted
from pipelines.store.partitioned_state import AS_OF, BUCKET, FAMILY, ROW, PartitionedTable, TableFile, as_stored
from pipelines.store.table_places import WITHOUT, TablePlace, reason

if TYPE_CHECKING:
    from deltalake import DeltaTable

GROUP_ROWS = 20_480  # of a row group, the unit that a read of one vehicle can skip; a sixth of DuckDB's own


def append(
    connection: duckdb.DuckDBPyConnection, place: TablePlace, table: PartitionedTable, rows: str
) -> PartitionedTable:
    """Add rows to a table.

    Args:
        connection: Where `rows` can be asked.
        place: Where its files lie.
        table: As it is; with columns that its files need not have yet.
        rows: As SQL: columns of the table, those of its partitions and `~row`, in the order in which they are to lie.

    Returns:
        The table then.

    Raises:
        StoreError: the library is not installed.
    """
    return _write(connection, place, table, rows, mode="append")


def overwrite(
    connection: duckdb.DuckDBPyConnection,
    place: TablePlace,
    table: PartitionedTable,
    rows: str,
    predicate: str | None = None,
) -> PartitionedTable:
    """Put rows in the place of those that fulfil the predicate; None: of all, and with them of their columns."""
    return _write(connection, place, table, rows, mode="overwrite", predicate=predicate)


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
    place: TablePlace,
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
    where, target = place.of_table(table.folder), None
    columns = ", ".join([as_stored(table.columns.items()), *map(quoted, (ROW, *table.partitions))])
    came = connection.sql(f"SELECT {columns} FROM ({rows})").to_arrow_reader(GROUP_ROWS)
    whole = mode == "overwrite" and predicate is None
    try:
        if table.version is None:
            place.begin(table.folder)
        else:
            target = DeltaTable(where, storage_options=place.options)
            _as_the_state_names_it(target, table)
        write_deltalake(
            target or where,
            came,
            partition_by=table.partitions or None,
            mode=mode,
            predicate=predicate,
            schema_mode=None if table.version is None else "overwrite" if whole else "merge",
            storage_options=place.options,
            writer_properties=WriterProperties(compression="ZSTD", compression_level=1, max_row_group_size=GROUP_ROWS),
        )
    except (DeltaError, OSError) as error:
        raise StoreError(f"{where}: {reason(error)}. Nothing was changed; free space or permissions?") from error
    written = target or DeltaTable(where, storage_options=place.options)
    parts = _parts(written, table)
    new = {part.path for part in parts} - {part.path for part in table.parts}
    place.settle(table.folder, [f"{table.folder}/{path}" for path in new], table.version)
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
