"""Parquet files -> frames of cells, in batches of bounded size; through the database's reader.

It reads as fast as polars', and what a damaged or hostile file claims ends in an error instead of the process.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl

from pipelines.errors import DropError
from pipelines.intake.blocks import ROW, distinct_names
from pipelines.intake.limits import Limits
from pipelines.intake.reach import as_text_beyond
from pipelines.store.connection import CONFIG, set_up
from pipelines.visible import visible

BATCH_ROWS = 65_536  # that are fetched at once; of rows with one of the longest cells each, 2 GB
BLOCK_ROWS = 200_000  # that are handed on together, while the next ones are read
BLOCK_BYTES = 512 * 2**20
MAGIC = b"PAR1"


def read_parquet(path: Path, limits: Limits) -> Iterator[pl.DataFrame]:
    """The file's rows, each with its row number, from 1.

    Raises:
        DropError: the file is cut off, or holds more than it may.
        duckdb.Error: it cannot be read as Parquet.
    """
    _whole(path)
    if visible(str(path)) != str(path):
        raise DropError(f"{path.name}: a folder above it has a name that is no UTF-8. Rename that folder.")
    place = re.sub(r"([\[*?])", r"[\1]", str(path.absolute()))
    connection = duckdb.connect(config=CONFIG)
    try:
        set_up(connection)
        connection.execute("SET produce_arrow_string_view = true")
        names = distinct_names(_names(connection, place))
        limits.refuse_beyond("columns", len(names), file=path.name)
        rows = connection.execute("SELECT num_rows FROM parquet_file_metadata($1)", [place]).fetchall()[0][0]
        limits.refuse_beyond("rows", rows, file=path.name)
        yield from _blocks(connection, place, names)
    finally:
        connection.close()


def _whole(path: Path) -> None:
    with path.open("rb") as file:
        begins = file.read(len(MAGIC)) == MAGIC
        file.seek(-min(len(MAGIC), path.stat().st_size), 2)
        if begins and file.read() != MAGIC:
            raise DropError(f"{path.name}: is truncated (it begins as Parquet, and its end is missing). Copy it anew.")


def _names(connection: duckdb.DuckDBPyConnection, place: str) -> list[str]:
    """The top-level columns, as the file spells them; the schema lists each before what is nested in it."""
    rows = connection.execute("SELECT name, coalesce(num_children, 0) FROM parquet_schema($1)", [place]).fetchall()
    names: list[str] = []
    nested = 0
    for name, children in rows[1:]:
        if not nested:
            names.append(name)
        nested += children - (1 if nested else 0)
    return names


def _blocks(connection: duckdb.DuckDBPyConnection, place: str, names: list[str]) -> Iterator[pl.DataFrame]:
    query = "SELECT * FROM read_parquet($place, hive_partitioning = false, union_by_name = false)"
    reader = connection.sql(query, params={"place": place}).to_arrow_reader(BATCH_ROWS)
    held: list[pl.DataFrame] = []
    row, rows, size = 0, 0, 0.0
    for batch in reader:
        held.append(_cells(pl.DataFrame(batch), names, row))
        row, rows, size = row + batch.num_rows, rows + batch.num_rows, size + held[-1].estimated_size()
        if rows >= BLOCK_ROWS or size > BLOCK_BYTES:
            yield pl.concat(held, rechunk=True)
            held, rows, size = [], 0, 0.0
    if held or not row:
        yield pl.concat(held, rechunk=True) if held else _cells(pl.DataFrame(reader.schema.empty_table()), names, 0)


def _cells(batch: pl.DataFrame, names: list[str], row: int) -> pl.DataFrame:
    batch.columns = names
    dated = [as_text_beyond(c) for c in batch.iter_columns() if isinstance(c.dtype, pl.Date | pl.Datetime)]
    return batch.with_columns(*dated).with_columns(
        pl.col(pl.Categorical, pl.Enum).cast(pl.String),
        (pl.int_range(pl.len(), dtype=pl.Int64) + row + 1).alias(ROW),
    )
