"""Checks that a store is whole: its files, its form, its keys, its bookkeeping; reads everything, changes nothing."""

from collections.abc import Iterator

import duckdb

from pipelines.catalogue.tables import drop_tables
from pipelines.errors import StoreError
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.entries import damage_of_record
from pipelines.store.folder import Store
from pipelines.store.kinds import kind_of
from pipelines.store.pointer import POINTER, read_pointer, states
from pipelines.store.schema import filled_tables, stored_key
from pipelines.store.wholeness import damage


def breaches(store: Store) -> list[str]:
    """What is wrong with a store, one line each; empty: it is whole.

    Raises:
        StoreError: there is no store to check.
    """
    found = [*_files(store), *([text] if (text := damage_of_record(store)) else [])]
    try:
        with store.reading() as connection:
            return [*found, *_raw_tables(connection), *_published(connection)]
    except StoreError as error:
        if not found:
            raise
        return [*found, str(error)]


def _files(store: Store) -> Iterator[str]:
    """Of the pointer and every state: the newest two are read wholly, of older ones sizes and checksums."""
    named, lying = read_pointer(store.path), states(store.path)
    if lying and not named:
        yield f"{store.path / POINTER}: {'names no state' if (store.path / POINTER).exists() else 'missing'}"
    if named and named.number not in lying:
        yield f"{store.state_file(named.number)}: missing, and {POINTER} names it"
    for number in lying:
        file = store.state_file(number)
        if text := damage(file) if number in lying[-2:] else kind_of(file).damage(file):
            yield f"{file}: damaged ({text})"
        elif named and named.number == number and not named.fits(file):
            yield f"{file}: {file.stat().st_size} bytes, {named.size} were written"


def _raw_tables(connection: duckdb.DuckDBPyConnection) -> Iterator[str]:
    filled = filled_tables(connection)
    for name, table in drop_tables().items():
        if name not in filled:
            continue
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
