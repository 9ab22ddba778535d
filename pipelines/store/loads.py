"""Bookkeeping of loads: which files came, what became of their rows, what is in quarantine; caller's transaction."""

import duckdb
import polars as pl

from pipelines.store.connection import one_row

FLAGS_KEPT = 100_000  # rows kept per file, column and reason; the count in `loads` is of all of them


def seen_hashes(connection: duckdb.DuckDBPyConnection) -> set[str]:
    """Content hashes of the files that were read before, and whose loads were not withdrawn."""
    rows = connection.execute(
        "SELECT DISTINCT content_hash FROM loads WHERE unreadable IS NULL AND withdrawn_at IS NULL"
    ).fetchall()
    return {row[0] for row in rows}


def file_names(connection: duckdb.DuckDBPyConnection) -> dict[int, str]:
    """Drop and file of each load, by its id."""
    return dict(connection.execute("SELECT load_id, concat(drop_name, '/', file) FROM loads").fetchall())


def next_id(connection: duckdb.DuckDBPyConnection, table: str, column: str) -> int:
    """The next free number of a table's id column, from 1."""
    return int(one_row(connection, f"SELECT coalesce(max({column}), 0) + 1 FROM {table}")[0])


def add_loads(connection: duckdb.DuckDBPyConnection, loads: pl.DataFrame) -> None:
    """Add one row per file; columns by name as in the table `loads`."""
    connection.register("new_loads", loads)
    connection.execute("INSERT INTO loads BY NAME SELECT * FROM new_loads")
    connection.unregister("new_loads")


def add_log_values(connection: duckdb.DuckDBPyConnection, values: pl.DataFrame, load_id: int) -> None:
    """Keep what values of a log rest on: vehicle_id, read_at, column_name, row_count, least, most."""
    connection.register("new_values", values.with_columns(pl.lit(load_id, dtype=pl.Int32).alias("load_id")))
    connection.execute("INSERT INTO log_values BY NAME SELECT * FROM new_values")
    connection.unregister("new_values")


def add_quarantined(connection: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> None:
    """Put rows into quarantine: row_number, load_id, column_name, reason, detail, original."""
    if rows.is_empty():
        return
    first = next_id(connection, "quarantine", "quarantine_id")
    numbered = rows.with_columns((pl.int_range(pl.len(), dtype=pl.Int32) + first).alias("quarantine_id"))
    connection.register("new_rows", numbered)
    connection.execute("INSERT INTO quarantine BY NAME SELECT * FROM new_rows")
    connection.unregister("new_rows")


def mark_mended(connection: duckdb.DuckDBPyConnection, mended: pl.DataFrame) -> None:
    """Note that quarantined rows came again, mended: quarantine_id, load_id."""
    if mended.is_empty():
        return
    connection.register("came_again", mended)
    connection.execute(
        "UPDATE quarantine SET mended_by = m.load_id FROM came_again m WHERE quarantine.quarantine_id = m.quarantine_id"
    )
    connection.execute("INSERT INTO mended BY NAME SELECT quarantine_id, load_id FROM came_again")
    connection.unregister("came_again")


def add_flags(connection: duckdb.DuckDBPyConnection, flags: pl.DataFrame) -> None:
    """Keep the first flags of each file, column and reason; columns as in the table `flags`."""
    if flags.is_empty():
        return
    first = flags.filter(pl.int_range(pl.len()).over("load_id", "column_name", "reason") < FLAGS_KEPT)
    connection.register("new_flags", first)
    connection.execute("INSERT INTO flags BY NAME SELECT * FROM new_flags")
    connection.unregister("new_flags")


def add_proposals(connection: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> None:
    """Keep what was proposed of units; columns as in the table `proposals`."""
    connection.register("new_proposals", rows)
    connection.execute("INSERT INTO proposals BY NAME SELECT * FROM new_proposals")
    connection.unregister("new_proposals")
