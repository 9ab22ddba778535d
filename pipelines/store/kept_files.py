"""Files that lie beside the states of a store: settings, roles, mappings, the log; put into backups, and back."""

import re
import sqlite3
from contextlib import closing
from pathlib import Path

import duckdb

from pipelines.errors import StoreError
from pipelines.store.connection import connect
from pipelines.store.readers import let_go
from pipelines.store.schema import columns_of

PATTERNS = ("settings.toml", "roles.toml", "mappings/*.toml")
LOG = "entries/acts.sqlite"  # the log of who did what, which others may be writing to
OURS = re.compile(
    r"(?:settings|roles|mappings/[\w-]+)\.toml|entries/acts\.sqlite"
)  # the same as names in a backup, which anybody may write
SCHEMA = "beside"  # of the table in a backup; no committed state has it


def put_files_into(file: Path, folder: Path) -> None:
    """Put the files of a store's folder into a copy of its state; leaves it alone where there are none.

    Raises:
        StoreError: one of them cannot be read.
    """
    found = [path for pattern in PATTERNS for path in sorted(folder.glob(pattern))]
    try:
        rows = [(path.relative_to(folder).as_posix(), path.read_bytes()) for path in found]
        if (folder / LOG).exists():
            with closing(sqlite3.connect(folder / LOG)) as log:
                rows.append((LOG, log.serialize()))
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{folder}: {error}. No backup was written; permissions, or a damaged log?") from error
    if not rows:
        return
    let_go(file)
    with closing(connect(file)) as connection:
        _take_out(connection)
        connection.execute(f"CREATE SCHEMA {SCHEMA}")
        connection.execute(f"CREATE TABLE {SCHEMA}.file (name VARCHAR, content BLOB)")
        connection.executemany(f"INSERT INTO {SCHEMA}.file VALUES (?, ?)", rows)
        connection.execute("CHECKPOINT")


def take_files_out_of(file: Path) -> dict[str, bytes]:
    """Take the files out of a copy of a backup, by name; empty where it has none, or an earlier release made it."""
    let_go(file)
    with closing(connect(file)) as connection:
        if not columns_of(connection, "file", SCHEMA):
            return {}
        rows = connection.execute(f"SELECT name, content FROM {SCHEMA}.file ORDER BY name").fetchall()
        _take_out(connection)
        connection.execute("CHECKPOINT")
    return {name: content for name, content in rows if OURS.fullmatch(name)}


def lay_files(folder: Path, files: dict[str, bytes]) -> list[str]:
    """Lay files into a store's folder that are not there; one that is there stays, since it is newer. Those laid."""
    laid = []
    for name, content in files.items():
        place = folder / name
        if not place.exists():
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
            laid.append(name)
    return laid


def _take_out(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute(f"DROP SCHEMA IF EXISTS {SCHEMA} CASCADE")
