"""The record of upkeep beside a store: what was run, how it ended, which files were taken up; one SQLite file."""

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from pipelines.errors import StoreError

FOLDER = "upkeep"  # within a store's folder
FILE = "runs.sqlite"
KEPT = timedelta(days=400)  # of runs: a year, and the month of the year before beside it; judgement
LONGEST = 2000  # letters kept of what a run said
WAIT_S = 10.0
TABLES = """
    -- One row per job that was begun; ended_at empty: it is running, or was killed.
    CREATE TABLE IF NOT EXISTS run (
        run_id INTEGER PRIMARY KEY, job TEXT NOT NULL, began_at TEXT NOT NULL, ended_at TEXT, exit_code INTEGER,
        said TEXT, version TEXT NOT NULL, settings_digest TEXT NOT NULL
    ) STRICT;
    CREATE INDEX IF NOT EXISTS run_job ON run (job, run_id);
    -- One row per file of a watched folder as it was when it was handed to a load that ended.
    CREATE TABLE IF NOT EXISTS taken_up (
        path TEXT NOT NULL PRIMARY KEY, size INTEGER NOT NULL, changed_ns INTEGER NOT NULL, exit_code INTEGER NOT NULL
    ) STRICT;
"""
TIME = pl.Datetime("us", "UTC")
COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "run_id": pl.Int64, "job": pl.String, "began_at": TIME, "ended_at": TIME, "exit_code": pl.Int64,
    "said": pl.String, "version": pl.String, "settings_digest": pl.String,
}  # fmt: skip
RUN = pl.Schema(COLUMNS)


@dataclass(frozen=True, kw_only=True)
class Seen:
    """A file as it lies in a watched folder: its path, size in bytes, and when it was changed, in nanoseconds."""

    path: str
    size: int
    changed_ns: int


def begin(folder: Path, job: str, *, version: str, settings_digest: str) -> int:
    """Write down that a job begins; its number. What is older than a year goes.

    Args:
        folder: Of the store.
        job: Its name.
        version: Of the product.
        settings_digest: Of what is set.

    Raises:
        StoreError: the record cannot be written.
    """
    now = datetime.now(UTC)
    with _record(folder) as record:
        record.execute("DELETE FROM run WHERE began_at < ?", [(now - KEPT).isoformat()])
        done = record.execute(
            "INSERT INTO run (job, began_at, version, settings_digest) VALUES (?, ?, ?, ?)",
            [job, now.isoformat(), version, settings_digest],
        )
        return int(done.lastrowid or 0)


def end(folder: Path, run_id: int, *, exit_code: int, said: str, taken: Iterable[Seen] = ()) -> None:
    """Write down how a job ended, and the files that it took up.

    Raises:
        StoreError: the record cannot be written.
    """
    with _record(folder) as record:
        record.execute(
            "UPDATE run SET ended_at = ?, exit_code = ?, said = ? WHERE run_id = ?",
            [datetime.now(UTC).isoformat(), exit_code, said[-LONGEST:], run_id],
        )
        record.executemany(
            "INSERT OR REPLACE INTO taken_up VALUES (?, ?, ?, ?)",
            [(each.path, each.size, each.changed_ns, exit_code) for each in taken],
        )


def taken_up(folder: Path) -> set[Seen]:
    """Files of watched folders as they were when they were taken up.

    Raises:
        StoreError: the record cannot be read.
    """
    if not record_file(folder).exists():
        return set()
    with _record(folder) as record:
        rows = record.execute("SELECT path, size, changed_ns FROM taken_up ORDER BY path").fetchall()
    return {Seen(path=path, size=size, changed_ns=changed) for path, size, changed in rows}


def runs(folder: Path) -> pl.DataFrame:
    """One row per job that was begun, newest first; columns of RUN.

    Raises:
        StoreError: the record cannot be read.
    """
    if not record_file(folder).exists():
        return RUN.to_frame()
    with _record(folder) as record:
        rows = record.execute(f"SELECT {', '.join(RUN)} FROM run ORDER BY run_id DESC").fetchall()
    text = {name: pl.String if kind == TIME else kind for name, kind in COLUMNS.items()}
    times = pl.col("began_at", "ended_at").str.to_datetime(time_unit="us", time_zone="UTC")
    return pl.DataFrame(rows, schema=text, orient="row").with_columns(times)


def record_file(folder: Path) -> Path:
    """Where the record lies."""
    return folder / FOLDER / FILE


@contextmanager
def _record(folder: Path) -> Iterator[sqlite3.Connection]:
    """The record in one transaction, made where it is not there yet."""
    file = record_file(folder)
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(file, timeout=WAIT_S)) as connection, connection:
            connection.executescript("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;" + TABLES)
            yield connection
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{file}: {error}. Remove it if it is damaged: only the record of upkeep is lost.") from error
