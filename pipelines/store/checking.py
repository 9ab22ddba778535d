"""Checks that a store is whole: its files, its form, its keys, its bookkeeping; reads everything, changes nothing."""

from collections.abc import Iterator

import duckdb

from pipelines.catalogue.tables import drop_tables
from pipelines.errors import StoreError
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.folder import Store
from pipelines.store.schema import columns_of, stored_key


def breaches(store: Store) -> list[str]:
    """What is wrong with a store, one line each; empty: it is whole.

    Raises:
        StoreError: there is no store to check, or it cannot be opened at all.
    """
    with store.reading() as connection:
        try:
            return [*_unreadable(connection), *_raw_tables(connection), *_published(connection)]
        except duckdb.Error as error:
            text = " ".join(str(error).split())[:200]
            raise StoreError(f"{store.path}: damaged ({text}). Restore a backup: leeway store restore.") from error


def _unreadable(connection: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """Read every column of every table: DuckDB checks each block's checksum as it goes."""
    tables = frame_of(
        connection,
        "SELECT schema_name, table_name FROM duckdb_tables() WHERE database_name = current_database() ORDER BY ALL",
    )
    for schema, table in tables.iter_rows():
        columns = columns_of(connection, table, schema)
        if not columns:
            yield f"{schema}.{table}: has no column"
            continue
        counts = ", ".join(f"count(hash({quoted(name)}))" for name in columns)
        one_row(connection, f"SELECT {counts} FROM {schema}.{quoted(table)}")


def _raw_tables(connection: duckdb.DuckDBPyConnection) -> Iterator[str]:
    for name, table in drop_tables().items():
        key = ", ".join(quoted(column) for column in stored_key(table))
        twice = one_row(
            connection, f"SELECT count(*) FROM (SELECT {key} FROM {name} GROUP BY {key} HAVING count(*) > 1)"
        )[0]
        if twice:
            yield f"{name}: {twice} keys stand twice"
        unknown = one_row(connection, f"SELECT count(*) FROM {name} WHERE load_id NOT IN (SELECT load_id FROM loads)")[
            0
        ]
        if unknown:
            yield f"{name}: {unknown} rows are of a load that is not written down"
    lost = one_row(
        connection,
        "SELECT count(*) FROM (SELECT load_id, quarantined FROM loads) l LEFT JOIN "
        "(SELECT load_id, count(*) AS n FROM quarantine GROUP BY load_id) q USING (load_id) "
        "WHERE l.quarantined <> coalesce(q.n, 0)",
    )[0]
    if lost:
        yield f"quarantine: {lost} loads put other numbers of rows into it than it holds"


def _published(connection: duckdb.DuckDBPyConnection) -> Iterator[str]:
    for table, as_of, count in frame_of(
        connection, "SELECT table_name, as_of, row_count FROM publications ORDER BY ALL"
    ).iter_rows():
        found = one_row(connection, f"SELECT count(*) FROM published.{quoted(table)} WHERE as_of = ?", [as_of])[0]
        if found != count:
            yield f"{table} as of {as_of:%Y-%m-%d}: {found} rows, {count} were published"
