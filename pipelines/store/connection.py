"""Opens DuckDB files the one way this project does: UTC, no network, no progress bar on standard output."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_persistent_secrets": False,
    "memory_limit": "2GB",  # loading stays under 3 GB with polars' own buffers beside it
}


def connect(path: Path) -> duckdb.DuckDBPyConnection:
    """A connection that writes to the file, which is made if it is absent; close it when done.

    Raises:
        duckdb.Error: the file is damaged, or no DuckDB file.
    """
    connection = duckdb.connect(str(path), config=CONFIG)
    set_up(connection)
    return connection


def set_up(connection: duckdb.DuckDBPyConnection) -> None:
    """Give a connection this project's ways: times in UTC, nothing printed."""
    connection.execute("SET TimeZone = 'UTC'; SET enable_progress_bar = false")


def quoted(name: str) -> str:
    """A name as SQL."""
    return '"' + name.replace('"', '""') + '"'


def frame_of(connection: duckdb.DuckDBPyConnection, query: str, **parameters: object) -> pl.DataFrame:
    """The rows of a query as a frame; parameters are bound by name (`$name`)."""
    relation = connection.sql(query, params=parameters) if parameters else connection.sql(query)
    frame: pl.DataFrame = relation.pl()
    return frame


def one_row(connection: duckdb.DuckDBPyConnection, query: str, values: Sequence[object] = ()) -> tuple[Any, ...]:
    """The only row of a query that always has one, such as a count; read to its end, which frees the connection."""
    row: tuple[Any, ...] = connection.execute(query, list(values)).fetchall()[0]
    return row
