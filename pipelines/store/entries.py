"""The record of what people enter: one SQLite file beside the analytic state; written by many, never overwritten.

Appending costs the same at any size of the store, and waits for no load or analysis. What is acknowledged is on disk:
the write-ahead log is synced with every commit. Readers never wait for a writer.
"""

import os
import secrets
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from pipelines.catalogue.tables import entry_columns
from pipelines.entries.entry import Entry, Refusal
from pipelines.entries.standing import withdrawn_ids
from pipelines.errors import StoreError
from pipelines.store.folder import Store
from pipelines.store.lock import writers_lock
from pipelines.store.scoped_entries import entries_seen

FORM = 1  # of the file; a newer one is refused
COLUMNS = tuple(entry_columns().schema.names())
WAIT_S = 30.0  # for another writer; one append takes milliseconds
ENTRY_ID = "e%Y%m%dT%H%M%S%f"
RESTORE = "Restore a backup: leeway store restore."
STAMP = "%Y-%m-%dT%H:%M:%S.%fZ"
TABLES = """
    CREATE TABLE entry (
        entry_id TEXT NOT NULL PRIMARY KEY, entered_at TEXT NOT NULL, who TEXT NOT NULL, kind TEXT NOT NULL,
        vehicle_id TEXT, subject TEXT, value TEXT, until TEXT, detail TEXT, withdraws TEXT, client_key TEXT UNIQUE
    ) STRICT;
    CREATE INDEX entry_withdraws ON entry (withdraws) WHERE withdraws IS NOT NULL;
    CREATE TRIGGER entry_is_not_changed BEFORE UPDATE ON entry
        BEGIN SELECT RAISE(ABORT, 'the record of entries is only ever added to'); END;
    CREATE TRIGGER entry_is_not_deleted BEFORE DELETE ON entry
        BEGIN SELECT RAISE(ABORT, 'the record of entries is only ever added to'); END;
    -- One row per person; the name may be taken out, the record keeps the key.
    CREATE TABLE person (who TEXT NOT NULL PRIMARY KEY, name TEXT) STRICT;
"""


@dataclass(frozen=True, kw_only=True)
class Appended:
    """What became of one entry.

    Attributes:
        entry_id: Of the entry in the record; empty: it was refused.
        refusal: Why it was refused.
        already: Its client_key was taken before, by the entry named.
        remarks: What is unusual about an entry that was taken.
    """

    entry_id: str = ""
    refusal: Refusal | None = None
    already: bool = False
    remarks: tuple[str, ...] = ()


def append(store: Store, entries: Sequence[Entry], *, entered_at: datetime | None = None) -> list[Appended]:
    """Add entries to the record in one transaction; on disk when this returns.

    Refuses what only the record can tell: an entry withdrawn that is not there, or was withdrawn before.

    Args:
        store: Whose record.
        entries: Checked ones.
        entered_at: When they were entered; None: now.

    Returns:
        What became of each, in their order.

    Raises:
        StoreError: the file is damaged, cannot be written, or another process kept it too long.
    """
    if not entries:
        return []
    with record_transaction(store) as connection:
        return [_append_one(connection, entry, entered_at or datetime.now(UTC)) for entry in entries]


def _append_one(connection: sqlite3.Connection, entry: Entry, entered_at: datetime) -> Appended:
    if entry.client_key is not None:
        taken = connection.execute("SELECT entry_id FROM entry WHERE client_key = ?", [entry.client_key]).fetchone()
        if taken:
            return Appended(entry_id=taken[0], already=True)
    kind = entry.kind
    if entry.withdraws is not None:
        withdrawn = _withdrawn(connection, entry)
        if isinstance(withdrawn, Refusal):
            return Appended(refusal=withdrawn)
        kind = withdrawn
    entry_id = _next_id(connection, entered_at)
    values = [
        entry_id, entered_at.astimezone(UTC).strftime(STAMP), entry.who, kind, entry.vehicle_id, entry.subject,
        entry.value, None if entry.until is None else entry.until.isoformat(), entry.detail, entry.withdraws,
        entry.client_key,
    ]  # fmt: skip
    connection.execute(f"INSERT INTO entry VALUES ({', '.join('?' * len(values))})", values)
    connection.execute("INSERT OR IGNORE INTO person VALUES (?, NULL)", [entry.who])
    return Appended(entry_id=entry_id)


def _withdrawn(connection: sqlite3.Connection, entry: Entry) -> str | Refusal:
    """Kind of the entry that is to be withdrawn, or why it cannot be."""
    found = connection.execute("SELECT kind FROM entry WHERE entry_id = ?", [entry.withdraws]).fetchone()
    if not found:
        return Refusal(column="withdraws", reason=f"no entry '{entry.withdraws}' in this store")
    if entry.kind is not None and entry.kind != found[0]:
        return Refusal(column="withdraws", reason=f"'{entry.withdraws}' is a {found[0]}, not a {entry.kind}")
    withdrawals = connection.execute("SELECT entry_id, withdraws FROM entry WHERE withdraws IS NOT NULL").fetchall()
    if entry.withdraws in withdrawn_ids(withdrawals):
        return Refusal(column="withdraws", reason=f"'{entry.withdraws}' was withdrawn before")
    return str(found[0])


def _next_id(connection: sqlite3.Connection, entered_at: datetime) -> str:
    """An id above all others of the record that says its time; its tail keeps copies of a store apart."""
    at = entered_at.astimezone(UTC)
    last = connection.execute("SELECT max(entry_id) FROM entry").fetchone()[0]
    if last:
        at = max(at, datetime.strptime(last.split("-")[0], ENTRY_ID).replace(tzinfo=UTC) + timedelta(microseconds=1))
    return f"{at.strftime(ENTRY_ID)}-{secrets.token_hex(2)}"


def read_entries(store: Store) -> pl.DataFrame:
    """All entries with the columns of the contract, oldest first; those withdrawn too. None: no rows.

    Of a store that is read for some depots: those about their vehicles, themselves, and the whole fleet's findings.
    Read anew only when something was entered since: every reading of one vehicle asks for them.

    Raises:
        StoreError: the file is damaged, or a newer release wrote it.
    """
    path = entries_file(store).resolve()
    with _reading(store) as connection:
        if connection is None:
            return pl.DataFrame(schema=entry_columns().schema)
        connection.execute("BEGIN")  # all of it from one moment
        state = (path.stat().st_ino, *connection.execute("SELECT max(entry_id), count(*) FROM entry").fetchone())
        kept = _FRAMES.get(path)
        if kept is not None and kept[0] == state:
            return entries_seen(kept[1], store)
        rows = connection.execute("SELECT * FROM entry ORDER BY entry_id").fetchall()
    texts = pl.DataFrame(rows, schema=dict.fromkeys(COLUMNS, pl.String), orient="row")
    frame = texts.with_columns(
        pl.col("entered_at").str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_unit="us", time_zone="UTC"),
        pl.col("until").str.to_date("%Y-%m-%d"),
    )
    _FRAMES[path] = (state, frame)
    return entries_seen(frame, store)


def newest_of_first(store: Store, count: int) -> str:
    """entry_id of the last of the first so many entries of the whole record; empty: there is none.

    Raises:
        StoreError: the file is damaged, or a newer release wrote it.
    """
    with _reading(store) as connection:
        if connection is None or count < 1:
            return ""
        query = "SELECT max(entry_id) FROM (SELECT entry_id FROM entry ORDER BY entry_id LIMIT ?)"
        return connection.execute(query, [count]).fetchone()[0] or ""


_FRAMES: dict[Path, tuple[tuple[object, ...], pl.DataFrame]] = {}  # of each record read by this process, the newest


def all_rows(store: Store) -> tuple[list[tuple[str | None, ...]], list[tuple[str | None, ...]]]:
    """All entries (COLUMNS, oldest first) and all people (who, name), as they are stored.

    Raises:
        StoreError: the file is damaged, or a newer release wrote it.
    """
    with _reading(store) as connection:
        if connection is None:
            return [], []
        connection.execute("BEGIN")  # both from one moment
        entries = connection.execute("SELECT * FROM entry ORDER BY entry_id").fetchall()
        return entries, connection.execute("SELECT who, name FROM person ORDER BY who").fetchall()


def damage_of_record(store: Store) -> str:
    """What is wrong with the record, in a line, after reading all of it; empty: it is whole, or nothing was entered.

    Raises:
        StoreError: a newer release wrote it, or it cannot be opened now.
    """
    path = entries_file(store)
    if not path.exists():
        return ""
    try:
        with closing(_open(path)) as connection:
            found = [row[0] for row in connection.execute("PRAGMA integrity_check(1)")]
            if found != ["ok"]:
                return f"{path}: damaged ({' '.join(found[0].split())})"
            lost = connection.execute(
                "SELECT count(*) FROM entry WHERE withdraws NOT IN (SELECT entry_id FROM entry)"
            ).fetchone()[0]
            return f"{path}: {lost} entries withdraw one that is not there" if lost else ""
    except _NoRecordError as error:
        return str(error)
    except sqlite3.DatabaseError as error:
        text = " ".join(str(error).split())
        if isinstance(error, sqlite3.OperationalError) and not text.startswith("no such"):
            raise StoreError(f"{path}: cannot be read ({text}). Permissions, another writer?") from error
        return f"{path}: damaged ({text})"


def last_entry(store: Store) -> str:
    """entry_id of the newest entry; empty: there is none. It changes with every entry, and with nothing else.

    Raises:
        StoreError: the file is damaged, or a newer release wrote it.
    """
    with _reading(store) as connection:
        return "" if connection is None else connection.execute("SELECT max(entry_id) FROM entry").fetchone()[0] or ""


def people(store: Store) -> dict[str, str]:
    """Names of those who entered something, by key; the key itself where there is no name.

    Raises:
        StoreError: the file is damaged, or a newer release wrote it.
    """
    with _reading(store) as connection:
        if connection is None:
            return {}
        return dict(connection.execute("SELECT who, coalesce(name, who) FROM person ORDER BY 2, 1").fetchall())


def key_of_person(store: Store, name: str) -> str:
    """The key of the person of this name; a new one is given to a name that is not on the list.

    Raises:
        StoreError: the file is damaged, or cannot be written.
    """
    with record_transaction(store) as connection:
        found = connection.execute("SELECT who FROM person WHERE coalesce(name, who) = ?", [name]).fetchone()
        if found:
            return str(found[0])
        who = f"p-{secrets.token_hex(4)}"
        connection.execute("INSERT INTO person VALUES (?, ?)", [who, name])
        return who


def forget_name(store: Store, name: str) -> list[str]:
    """Take a name out of the list of names; the key stays, and so does what was entered under it.

    Args:
        store: Whose record.
        name: The name, or a key of the one who bears it.

    Returns:
        The keys that have no name any more; empty: nobody on the list is called so.

    Raises:
        StoreError: the file is damaged, or cannot be written.
    """
    with record_transaction(store) as connection:
        connection.execute("PRAGMA secure_delete = ON")
        taken = "UPDATE person SET name = NULL WHERE (name = ? OR who = ?) AND name IS NOT NULL RETURNING who"
        keys = sorted(row[0] for row in connection.execute(taken, [name, name]).fetchall())
    with _reading(store) as connection:
        if connection is not None:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # or the log would go on saying it
    return keys


def entries_file(store: Store) -> Path:
    """Where the record is."""
    return store.path / "entries" / "entries.sqlite"


@contextmanager
def _reading(store: Store) -> Iterator[sqlite3.Connection | None]:
    """A connection to read the record by; None: nothing was ever entered."""
    path = entries_file(store)
    if not path.exists():
        yield None
        return
    with _told(path, "cannot be read"):
        connection = _open(path)
        try:
            yield connection
        finally:
            connection.close()


@contextmanager
def record_transaction(store: Store) -> Iterator[sqlite3.Connection]:
    """A connection inside the one transaction that writes to the record now; on disk when the block is left."""
    path = entries_file(store)
    store.must_be_there()
    with _told(path, "nothing was entered"), _WRITERS.of(path) as connection:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


class _NoRecordError(StoreError):
    """A file in the place of the record that is none."""


class _Writers:
    """One kept connection to each record that this process writes.

    While one is open, closing another does not copy the log into the file, which would take longer than an append.
    """

    def __init__(self) -> None:
        self.guard = threading.Lock()
        self.kept: dict[tuple[int, Path], tuple[tuple[int, int], sqlite3.Connection]] = {}

    @contextmanager
    def of(self, path: Path) -> Iterator[sqlite3.Connection]:
        with self.guard:
            yield self._connection(path)

    def _connection(self, path: Path) -> sqlite3.Connection:
        if not path.exists():
            _create(path)
        found = path.stat()
        identity = (found.st_dev, found.st_ino)  # a record made anew at a place is another one
        key = (os.getpid(), path.resolve())  # a forked process needs a connection of its own
        kept = self.kept.get(key)
        if kept is None or kept[0] != identity:
            if kept is not None:
                kept[1].close()
            self.kept[key] = (identity, _open(path))
        return self.kept[key][1]


_WRITERS = _Writers()


def _create(path: Path) -> None:
    """Make the record whole or not at all; many processes may find at once that there is none."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with writers_lock(path.parent / "lock", who="leeway enter", wait_s=WAIT_S):
        if path.exists():
            return
        draft = path.with_suffix(".new")
        draft.unlink(missing_ok=True)
        connection = sqlite3.connect(draft, isolation_level=None)
        connection.executescript(f"PRAGMA journal_mode = WAL; BEGIN; {TABLES} PRAGMA user_version = {FORM}; COMMIT;")
        connection.close()
        draft.replace(path)
        for folder in (path.parent, path.parent.parent):
            descriptor = os.open(folder, os.O_RDONLY)
            os.fsync(descriptor)
            os.close(descriptor)


def _open(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=WAIT_S, isolation_level=None, check_same_thread=False
    )
    try:
        connection.execute("PRAGMA synchronous = FULL")
        form = connection.execute("PRAGMA user_version").fetchone()[0]
    except BaseException:
        connection.close()
        raise
    if form != FORM:
        connection.close()
        if form > FORM:
            raise StoreError(f"{path}: has form {form}, this release knows {FORM}. Install the newer release.")
        raise _NoRecordError(f"{path}: is no record of entries. {RESTORE}")
    return connection


@contextmanager
def _told(path: Path, doing: str) -> Iterator[None]:
    """Errors of the file as one line that says what to do."""
    try:
        yield
    except sqlite3.OperationalError as error:
        text = " ".join(str(error).split())
        raise StoreError(f"{path}: {doing} ({text}). Free space, permissions, another writer?") from error
    except sqlite3.DatabaseError as error:
        text = " ".join(str(error).split())
        raise StoreError(f"{path}: damaged ({text}). What was published can be read still. {RESTORE}") from error
    except OSError as error:
        raise StoreError(f"{path}: {doing} ({error.strerror or error}). Free space or permissions?") from error
