"""Whether a state's file is whole: the checksum in front of each of its blocks, then every row; changes nothing.

A DuckDB file is three headers, then blocks of one size; eight bytes in front of each are the checksum of the rest.
DuckDB checks a block when it reads it; this looks at all of them, a gigabyte in less than half a second.
Source of the form: DuckDB's `storage/single_file_block_manager.cpp` and `common/checksum.cpp`.
"""

from pathlib import Path

import duckdb
import numpy as np

from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.readers import attached

HEADER = 4096  # bytes of each of the three headers
BLOCK = 262_144  # bytes of a block, checksum included
AT_ONCE = 16  # blocks that are read together
START, FACTOR = np.uint64(5381), np.uint64(0xBF58476D1CE4E5B9)


def damage(file: Path) -> str | None:
    """What is wrong with a state's file, in some words, after reading all of it; None: it is whole."""
    if text := damaged_blocks(file):
        return text
    try:
        with attached(file) as connection:
            read_everything(connection)
    except (duckdb.Error, UnicodeDecodeError) as error:
        return one_line(error)
    return None


def damaged_blocks(file: Path) -> str | None:
    """What the sizes and checksums of a state's file say is wrong with it, in some words; None: nothing.

    A block that holds nothing but zeros was never written. Where not even the first header reads as expected, the form
    is one that only DuckDB knows, and nothing is said.
    """
    try:
        with file.open("rb") as source:
            first = source.read(HEADER)
            if len(first) < HEADER:
                return f"cut short after {len(first)} bytes"
            if not _whole(np.frombuffer(first, dtype=np.uint8), HEADER).all():
                return None
            source.seek(3 * HEADER)
            blocks = bytearray(AT_ONCE * BLOCK)
            passed = 0
            while count := source.readinto(blocks):
                if count % BLOCK:
                    return f"cut short after {3 * HEADER + passed * BLOCK + count} bytes"
                whole = _whole(np.frombuffer(blocks, dtype=np.uint8, count=count), BLOCK)
                if not whole.all():
                    return f"block {passed + int(np.argmin(whole))} does not fit its checksum"
                passed += count // BLOCK
    except OSError as error:
        return one_line(error)
    return None


def read_everything(connection: duckdb.DuckDBPyConnection) -> None:
    """Read every column of every table of a state that holds, or held, a row.

    Raises:
        duckdb.Error: something cannot be read.
    """
    tables = frame_of(
        connection,
        "SELECT schema_name, table_name, list(column_name ORDER BY column_index) FROM duckdb_columns() "
        "JOIN duckdb_tables() USING (database_name, schema_name, table_name) "
        "WHERE database_name = current_database() AND estimated_size > 0 GROUP BY ALL ORDER BY ALL",
    )
    for schema, table, names in tables.iter_rows():
        counts = ", ".join(f"count(hash({quoted(name)}))" for name in names)
        one_row(connection, f"SELECT {counts} FROM {schema}.{quoted(table)}")


def one_line(error: BaseException) -> str:
    """An error's text as the part of a line."""
    return " ".join(str(error).split())[:200].rstrip(".")


def _whole(content: np.ndarray, size: int) -> np.ndarray:
    """[N] whether each of N parts of so many bytes fits the checksum in front of it, or was never written."""
    words = content[: content.size // size * size].view(np.uint64).reshape(-1, size // 8)
    sums = np.array([np.bitwise_xor.reduce(part[1:] * FACTOR) for part in words]) ^ START
    fits: np.ndarray = sums == words[:, 0]
    return fits if fits.all() else fits | ~words.any(axis=1)
