"""Parquet files -> frames of cells, in batches of bounded size; through Arrow's reader.

It reads nearly as fast as polars', and what a damaged or hostile file claims ends in an error instead of the process.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipelines.errors import DropError
from pipelines.intake.blocks import ROW, distinct_names, text_bytes
from pipelines.intake.limits import Limits
from pipelines.intake.reach import as_text_beyond

BATCH_ROWS = 65_536  # that are decoded at once, where each may have a text of its own
BLOCK_ROWS = 200_000  # that are handed on together, while the next ones are read
ENOUGH_ROWS = 50_000  # that are handed on as they come: to put them together would copy them
BLOCK_BYTES = 512 * 2**20
MAGIC = b"PAR1"
UUID = pa.uuid()
if "jemalloc" in pa.supported_memory_backends():  # gives back what is free; the default keeps 100 MB more of a load
    pa.set_memory_pool(pa.jemalloc_memory_pool())
WITH_DICTIONARIES = {"PLAIN", "RLE", "BIT_PACKED", "PLAIN_DICTIONARY", "RLE_DICTIONARY"}  # that Arrow hands on as such


def read_parquet(path: Path, limits: Limits) -> Iterator[pl.DataFrame]:
    """The file's rows, each with its row number, from 1.

    Raises:
        DropError: the file is cut off, or holds more than it may.
        OSError, ValueError: it cannot be read as Parquet.
    """
    _whole(path)
    try:
        with pa.OSFile(os.fsencode(path)) as source:
            yield from _blocks(_batches(source, path, limits))
    except pa.ArrowException as error:
        raise ValueError(str(error)) from error


def _whole(path: Path) -> None:
    with path.open("rb") as file:
        begins = file.read(len(MAGIC)) == MAGIC
        file.seek(-min(len(MAGIC), path.stat().st_size), 2)
        if begins and file.read() != MAGIC:
            raise DropError(f"{path.name}: is truncated (it begins as Parquet, and its end is missing). Copy it anew.")


def _dictionaries(file: pq.ParquetFile) -> list[str]:
    """Columns of text that can be read as each text once, and then which.

    A few bytes can claim the same long cell a million times, which takes no more memory so.
    """
    groups = [file.metadata.row_group(n) for n in range(file.num_row_groups)]
    return [
        column.path
        for n, column in enumerate(file.schema.column(n) for n in range(file.metadata.num_columns))
        if column.logical_type.type == "STRING"
        and column.max_repetition_level == 0
        and column.path in file.schema_arrow.names
        and all(WITH_DICTIONARIES.issuperset(group.column(n).encodings) for group in groups)
    ]


def _batches(source: pa.NativeFile, path: Path, limits: Limits) -> Iterator[pl.DataFrame]:
    with pq.ParquetFile(source) as file:
        limits.refuse_beyond("columns", len(file.schema_arrow), file=path.name)
        limits.refuse_beyond("rows", file.metadata.num_rows, file=path.name)
        packed = path.stat().st_size
        claimed = sum(file.metadata.row_group(n).total_byte_size for n in range(file.num_row_groups))
        limits.refuse_unpacked(claimed, packed=packed, file=path.name)
        names, once = distinct_names(file.schema_arrow.names), _dictionaries(file)
    row, of_texts = 0, 0
    # As a whole where it is not large: many small reads cost a fifth more.
    how = {"coerce_int96_timestamp_unit": "us", "pre_buffer": packed <= BLOCK_BYTES}
    with pq.ParquetFile(source, read_dictionary=once, **how) as file:
        for batch in file.iter_batches(_rows_at_once(file, once)):
            cells = _cells(batch, names, row)
            of_texts += text_bytes(cells)
            limits.refuse_unpacked(of_texts, packed=packed, file=path.name, whole=False)
            row += batch.num_rows
            yield cells
        if not row:
            yield _cells(pa.RecordBatch.from_pylist([], schema=file.schema_arrow), names, 0)


def _rows_at_once(file: pq.ParquetFile, once: list[str]) -> int:
    """Rows that are decoded together: of numbers, and texts that lie there once, as many as are handed on."""
    columns = [file.schema.column(n) for n in range(file.metadata.num_columns)]
    if any(column.physical_type == "BYTE_ARRAY" and column.path not in once for column in columns):
        return BATCH_ROWS
    return max(1, min(BLOCK_ROWS, BLOCK_BYTES // (8 * max(1, len(columns)))))


def _blocks(batches: Iterator[pl.DataFrame]) -> Iterator[pl.DataFrame]:
    """The same rows, many together, each column in one piece."""
    held: list[pl.DataFrame] = []
    rows, size = 0, 0.0
    for cells in batches:
        if not held and cells.height >= ENOUGH_ROWS:
            yield cells
            continue
        held.append(cells)
        rows, size = rows + cells.height, size + cells.estimated_size()
        if rows >= BLOCK_ROWS or size > BLOCK_BYTES:
            yield pl.concat(held, rechunk=True)
            held, rows, size = [], 0, 0.0
    if held:
        yield pl.concat(held, rechunk=True)


def _cells(batch: pa.RecordBatch, names: list[str], row: int) -> pl.DataFrame:
    batch.validate(full=True)  # among others, that text is UTF-8, which polars takes for granted
    columns = {name: _known(column) for name, column in zip(names, batch.columns, strict=True)}
    plain = {name: c.indices if pa.types.is_dictionary(c.type) else c for name, c in columns.items()}
    cells = pl.DataFrame(pa.RecordBatch.from_pydict(plain)) if plain else pl.DataFrame()
    texts = [
        pl.DataFrame(pa.RecordBatch.from_pydict({name: c.dictionary}))[name].gather(cells[name])
        for name, c in columns.items()
        if pa.types.is_dictionary(c.type)
    ]
    dated = [as_text_beyond(c) for c in cells.iter_columns() if isinstance(c.dtype, pl.Date | pl.Datetime)]
    numbers = pl.int_range(row + 1, row + 1 + batch.num_rows, dtype=pl.Int64, eager=True)
    return cells.with_columns(*texts, *dated, numbers.alias(ROW))


def _known(column: pa.Array) -> pa.Array:
    """A column of a type that intake knows, with the same numbers or text in it."""
    if column.type == UUID:
        return pa.array([None if value is None else str(value) for value in column.to_pylist()], pa.string())
    if isinstance(column.type, pa.BaseExtensionType):
        return _known(column.storage)
    if pa.types.is_timestamp(column.type) and column.type.tz:
        return column.view(pa.timestamp(column.type.unit, "UTC"))  # whatever its zone is called
    if pa.types.is_duration(column.type):
        return column.view(pa.int64())
    if pa.types.is_float16(column.type):
        return column.cast(pa.float32())
    return column.cast(pa.float64()) if pa.types.is_decimal256(column.type) else column
