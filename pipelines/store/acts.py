"""Who did what: sign-ins, loads, decisions, plans, queries and files taken, in a log that is only ever added to.

The log holds keys of people; their names stand in the list beside the record of entries and can be taken out there.
What is older than the settings keep goes with `leeway tend`; nothing younger than a month ever can.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from pipelines.errors import StoreError
from pipelines.store.entries import forget_name, people, read_entries
from pipelines.store.folder import Store

WAIT_S = 10.0
LONGEST = 500  # letters kept of what was done
TABLES = """
    PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
    CREATE TABLE IF NOT EXISTS act (
        act_id INTEGER PRIMARY KEY AUTOINCREMENT, at TEXT NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL,
        about TEXT NOT NULL
    ) STRICT;
    CREATE TRIGGER IF NOT EXISTS act_is_not_changed BEFORE UPDATE ON act
        BEGIN SELECT RAISE(ABORT, 'the log is only ever added to'); END;
    CREATE TRIGGER IF NOT EXISTS act_is_not_deleted BEFORE DELETE ON act
        WHEN julianday('now') - julianday(OLD.at) < 30
        BEGIN SELECT RAISE(ABORT, 'the log is only ever added to'); END;
"""
ACTS: dict[str, pl.DataType | type[pl.DataType]] = {
    "act_id": pl.Int64, "at": pl.Datetime("us", "UTC"), "who": pl.String, "name": pl.String, "what": pl.String,
    "about": pl.String,
}  # fmt: skip


def write_act(store: Store, *, who: str, what: str, about: str = "") -> None:
    """Add one line to the log; on disk when this returns.

    Args:
        store: Whose log.
        who: Key of the person, as `key_of_person` gives it; empty: nobody signs in here.
        what: One word or two: signed in, entered, loaded, planned, asked, took a file, was refused.
        about: What it was about, in a line.

    Raises:
        StoreError: the log cannot be written.
    """
    with _log(store) as log:
        log.execute(
            "INSERT INTO act (at, who, what, about) VALUES (?, ?, ?, ?)",
            [datetime.now(UTC).isoformat(timespec="microseconds"), who, what, " ".join(about.split())[:LONGEST]],
        )


def acts(store: Store) -> pl.DataFrame:
    """The log, oldest first, with the names that are still on the list; columns of ACTS.

    Raises:
        StoreError: the log cannot be read.
    """
    rows: list[tuple[object, ...]] = []
    if acts_file(store).exists():
        with _log(store) as log:
            rows = log.execute("SELECT act_id, at, who, what, about FROM act ORDER BY act_id").fetchall()
    texts = {"act_id": pl.Int64} | dict.fromkeys(("at", "who", "what", "about"), pl.String)
    names = people(store)
    frame = pl.DataFrame(rows, schema=texts, orient="row").with_columns(
        pl.col("at").str.to_datetime(time_unit="us", time_zone="UTC"),
        name=pl.col("who").replace_strict(names, default=pl.col("who"), return_dtype=pl.String),
    )
    return frame.select(list(ACTS)).cast(pl.Schema(ACTS))


def forget_acts(store: Store, *, days: float) -> int:
    """Take away what is older than so many days, a month at least, and names of those who did nothing since.

    Returns:
        How many lines went.

    Raises:
        StoreError: the log cannot be written.
    """
    before = datetime.now(UTC) - max(timedelta(days=days), timedelta(days=31))
    still: set[str] = set()
    gone = 0
    if acts_file(store).exists():
        with _log(store) as log:
            gone = log.execute("DELETE FROM act WHERE at < ?", [before.isoformat()]).rowcount
            still = {row[0] for row in log.execute("SELECT DISTINCT who FROM act ORDER BY who")}
    entered = read_entries(store).filter(pl.col("entered_at") >= before)["who"]
    for who, name in people(store).items():
        if who != name and who not in still and who not in set(entered):
            forget_name(store, who)
    return gone


def acts_file(store: Store) -> Path:
    """Where the log is."""
    return store.path / "entries" / "acts.sqlite"


@contextmanager
def _log(store: Store) -> Iterator[sqlite3.Connection]:
    """The log in one transaction, made where it is not there yet."""
    file = acts_file(store)
    store.must_be_there()
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(file, timeout=WAIT_S)) as connection, connection:
            connection.executescript(TABLES)
            yield connection
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{file}: {error}. Nothing was done; permissions, or a damaged file?") from error
