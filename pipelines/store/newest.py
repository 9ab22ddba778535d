"""When the newest of what a store holds was read or done, and how late a time may be asked about; changes nothing."""

from datetime import UTC, datetime, timedelta

import duckdb
import polars as pl

from pipelines.entries.overlays import newest_entry
from pipelines.errors import SettingError
from pipelines.store.connection import one_row
from pipelines.store.entries import read_entries
from pipelines.store.folder import Store
from pipelines.store.readers import once

TIMES = {"snapshots": "read_at", "readings": "read_at", "faults": "read_at", "work": "done_at"}
AHEAD = timedelta(days=1)  # of the newest row and of the clock, that a time may lie: clocks and zones differ by less


def newest_row(connection: duckdb.DuckDBPyConnection) -> datetime | None:
    """The newest reading, fault or work of a vehicle that is known; None: there is none."""
    found = [_newest(connection, table, time) for table, time in TIMES.items()]
    return max((time for time in found if time is not None), default=None)


def newest_of_all(connection: duckdb.DuckDBPyConnection, record: pl.DataFrame) -> datetime | None:
    """The newest reading, fault, work or entry; None: there is no row of a vehicle that is known."""
    row, entered = once(connection, newest_row), newest_entry(record)
    return row if row is None or entered is None else max(row, entered)


def refuse_beyond(store: Store, as_of: datetime) -> None:
    """Refuse a time of which nothing can be known yet.

    Raises:
        SettingError: it lies more than a day beyond both the newest row or entry of the store and the clock.
        StoreError: there is no store.
    """
    now = datetime.now(UTC)
    with store.reading() as connection:
        newest = newest_of_all(connection, read_entries(store)) or now
    if as_of > max(newest, now) + AHEAD:
        raise SettingError(
            f"{as_of:%Y-%m-%d %H:%M} is later than now and than the newest row in {store.path}, of "
            f"{newest:%Y-%m-%d %H:%M} UTC: nothing is known of it. Name a time up to a day beyond these."
        )


def _newest(connection: duckdb.DuckDBPyConnection, table: str, time: str) -> datetime | None:
    """Looked for among the very last rows before all are joined with vehicles."""
    known = f"SELECT max({time}) FROM {table} SEMI JOIN vehicles USING (vehicle_id)"
    last = one_row(connection, f"SELECT max({time}) FROM {table}")
    found: datetime | None = one_row(connection, f"{known} WHERE {time} = ?", last)[0] or one_row(connection, known)[0]
    return found
