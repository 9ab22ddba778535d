"""What people entered, in backups: put into a state's file as tables, and united with a record when it is restored.

Nothing entered is lost: what a backup lacks stays, what the record lacks is added. A damaged record is put aside, and
what can still be read of it goes into the new one.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from pipelines.errors import StoreError
from pipelines.store.connection import connect
from pipelines.store.entries import COLUMNS, all_rows, damage_of_record, entries_file, record_transaction
from pipelines.store.folder import Store
from pipelines.store.readers import let_go
from pipelines.store.schema import columns_of

SCHEMA = "entered"  # of the tables in a backup; no committed state has it
Row = tuple[str | None, ...]
Record = tuple[list[Row], list[Row]]  # entries (COLUMNS) and people (who, name)


def put_into(file: Path, store: Store) -> None:
    """Put the record into a copy of a state; leaves the file alone where nothing was ever entered.

    Raises:
        StoreError: the record is damaged.
    """
    entries, people = all_rows(store)
    if not entries and not people:
        return
    let_go(file)
    with closing(connect(file)) as connection:
        _take_out(connection)
        connection.execute(f"CREATE SCHEMA {SCHEMA}")
        _fill(connection, "entry", COLUMNS, entries)
        _fill(connection, "person", ("who", "name"), people)
        connection.execute("CHECKPOINT")


def take_out_of(file: Path) -> Record:
    """Take the record out of a copy of a backup, as entries and people; it is kept beside the states, not in them.

    Both are empty where nothing was entered when it was made, or a release made it that knew no entries.
    """
    let_go(file)
    with closing(connect(file)) as connection:
        if not columns_of(connection, "entry", SCHEMA):
            return [], []
        names = ", ".join(COLUMNS)
        entries = connection.execute(f"SELECT {names} FROM {SCHEMA}.entry ORDER BY entry_id").fetchall()
        people = connection.execute(f"SELECT who, name FROM {SCHEMA}.person ORDER BY who").fetchall()
        _take_out(connection)
        connection.execute("CHECKPOINT")
    return entries, people


def unite(store: Store, entries: Sequence[Row], people: Sequence[Row]) -> int:
    """Add entries and people to the record; how many entries it lacked.

    The same client_key is taken once: an entry under a key that the record has is that entry.

    Raises:
        StoreError: the record is damaged, or cannot be written.
    """
    added, same = 0, dict[str | None, str]()
    if not entries and not people:
        return added
    with record_transaction(store) as connection:
        known = dict(connection.execute("SELECT client_key, entry_id FROM entry WHERE client_key IS NOT NULL"))
        ids = {row[0] for row in connection.execute("SELECT entry_id FROM entry")}
        for row in sorted(entries, key=lambda each: str(each[0])):
            values = dict(zip(COLUMNS, row, strict=True))
            if values["entry_id"] in ids:
                continue
            if values["client_key"] in known:
                same[values["entry_id"]] = known[values["client_key"]]
                continue
            values["withdraws"] = same.get(values["withdraws"], values["withdraws"])
            connection.execute(f"INSERT INTO entry VALUES ({', '.join('?' * len(row))})", list(values.values()))
            added += 1
        connection.executemany("INSERT OR IGNORE INTO person VALUES (?, ?)", people)
    return added


def mend(store: Store) -> Path | None:
    """Put a damaged record aside and go on with what can be read of it; where it is; None: it is not damaged.

    Raises:
        StoreError: the folder cannot be written.
    """
    file = entries_file(store)
    if not damage_of_record(store):
        return None
    aside = file.with_name(f"damaged-{datetime.now(UTC):%Y%m%dT%H%M%S%f}.sqlite")
    try:
        for ending in ("", "-wal", "-shm"):
            part = file.with_name(file.name + ending)
            if part.exists():
                part.replace(aside.with_name(aside.name + ending))
    except OSError as error:
        raise StoreError(f"{file}: {error.strerror or error}. Nothing was changed; permissions?") from error
    unite(store, list(_readable(aside, "entry", len(COLUMNS))), list(_readable(aside, "person", 2)))
    return aside


def _take_out(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute(f"DROP SCHEMA IF EXISTS {SCHEMA} CASCADE")


def _fill(connection: duckdb.DuckDBPyConnection, table: str, columns: Sequence[str], rows: Sequence[Row]) -> None:
    connection.execute(f"CREATE TABLE {SCHEMA}.{table} ({', '.join(f'{name} VARCHAR' for name in columns)})")
    if rows:
        connection.executemany(f"INSERT INTO {SCHEMA}.{table} VALUES ({', '.join('?' * len(columns))})", rows)


def _readable(file: Path, table: str, columns: int) -> Iterator[Row]:
    """Rows of a damaged record up to where it cannot be read."""
    try:
        with closing(sqlite3.connect(file)) as connection:
            for row in connection.execute(f"SELECT * FROM {table}"):
                if len(row) == columns and row[0]:
                    yield row
    except sqlite3.DatabaseError:
        return
