"""Whether a state is whole: what its kind tells by sizes and checksums, then every row; changes nothing."""

from pathlib import Path

import duckdb

from pipelines.errors import one_line
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.kinds import kind_of
from pipelines.store.readers import attached


def damage(file: Path) -> str | None:
    """What is wrong with a state's file, in some words, after reading all of it; None: it is whole."""
    if text := kind_of(file).damage(file):
        return text
    try:
        with attached(file) as connection:
            read_everything(connection)
    except (duckdb.Error, UnicodeDecodeError) as error:
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
        "LEFT JOIN duckdb_tables() USING (database_name, schema_name, table_name) "
        "WHERE database_name = current_database() AND schema_name IN ('main', 'published', 'entered') "
        "AND estimated_size IS DISTINCT FROM 0 AND NOT duckdb_columns.internal GROUP BY ALL ORDER BY ALL",
    )
    for schema, table, names in tables.iter_rows():
        counts = ", ".join(f"count(hash({quoted(name)}))" for name in names)
        one_row(connection, f"SELECT {counts} FROM {schema}.{quoted(table)}")
