"""A state that is partitioned tables: how it is read, checked and changed; the kind of store for the largest fleets.

A change brings the tables without vehicles, and of those with them the rows of vehicles that it touches, into a scratch
DuckDB file of the store's form. There the same code works as on any store; then what differs is written back.
"""

import shutil
import tempfile
from collections.abc import Collection, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import duckdb

from pipelines.errors import WAY_OUT, StoreError, one_line
from pipelines.store.bringing import scratch_of
from pipelines.store.connection import connect, quoted
from pipelines.store.partitioned_state import (
    BUCKET,
    PartitionedTable,
    State,
    bucket_of,
    read_state,
    stored_rows,
    write_state,
)
from pipelines.store.partitioned_writing import written_back
from pipelines.store.pointer import TABLES_ENDING, copy_in_pieces, state_file, states

# Rows up to which a table is held in memory while it is read, as opening its files costs more; judgement, some 10 MB.
SMALL = 20_000
KEPT_FOR = timedelta(days=7)  # how long an older state can be taken back; the one before the newest always; judgement


class PartitionedTables:
    """See `kinds.Kind`."""

    def attach(self, connection: duckdb.DuckDBPyConnection, name: str, state: Path) -> bool:
        """Views over the files of large tables; small ones are read at once."""
        names = read_state(state)
        files, catalog, whole = names.place(state.parent), quoted(name), True
        files.open_to(connection, names.sizes)
        connection.execute(f"ATTACH ':memory:' AS {catalog}")
        try:
            connection.execute(f"CREATE SCHEMA {catalog}.published")
            for table in names.tables:
                place, rows = f"{catalog}.{table.place}", stored_rows(table, files)
                try:
                    if table.rows > SMALL:
                        connection.execute(f"CREATE VIEW {place} AS {rows}")
                    else:
                        connection.execute(f"CREATE TABLE {place} AS {_in_order(rows)}")
                except duckdb.Error as error:  # whoever asks for it is told; the other tables can be read
                    connection.execute(f"CREATE VIEW {place} AS {_unreadable(table, one_line(error))}")
                    whole = False
        except Exception:
            connection.execute(f"DETACH {catalog}")
            raise
        return whole

    def rows_of_vehicles(self, state: Path, table: str, vehicle_ids: Collection[str]) -> str | None:
        """The files of their buckets, whatever their family."""
        tables = _read_once(state, state.stat().st_mtime_ns)
        found = tables.table("main", table)
        if found is None or BUCKET not in found.partitions or found.rows <= SMALL:
            return None
        buckets = {bucket_of(vehicle_id, tables.buckets) for vehicle_id in vehicle_ids}
        return stored_rows(found, tables.place(state.parent), [part for part in found.parts if part.bucket in buckets])

    def damage(self, state: Path) -> str | None:
        """Looks whether every file is there and as long as it was written."""
        try:
            written = read_state(state)
        except (OSError, duckdb.Error) as error:
            return str(error)
        there = written.place(state.parent).sizes(written.sizes)
        for file, size in written.sizes.items():
            if file not in there:
                return f"{file} is missing"
            if there[file] != size:
                return f"{file} has {there[file]} bytes, {size} were written"
        return None

    @contextmanager
    def changing(self, before: Path | None, draft: Path) -> Iterator[duckdb.DuckDBPyConnection]:
        """What the change touches is brought into a scratch file; what differs then is written back."""
        scratch = draft.with_suffix("")  # beside it: what a killed command left goes with the next write
        try:
            scratch.mkdir()
            with self._scratch(before, scratch) as (connection, state):
                yield connection
                write_state(written_back(connection, state, state.place(draft.parent)), draft)
        finally:
            shutil.rmtree(scratch, ignore_errors=True)

    @contextmanager
    def rehearsing(self, before: Path | None, scratch: Path) -> Iterator[duckdb.DuckDBPyConnection]:
        """The same without writing back."""
        with self._scratch(before, scratch) as (connection, _):
            yield connection

    @contextmanager
    def _scratch(self, before: Path | None, scratch: Path) -> Iterator[tuple[duckdb.DuckDBPyConnection, State]]:
        if before is None:
            raise StoreError(f"{scratch}: no state lies there, a conversion was stopped. Repeat: leeway store convert.")
        if text := self.damage(before):
            raise StoreError(f"{before}: damaged ({text}). {WAY_OUT}")
        state = read_state(before)
        with scratch_of(state, before.parent, scratch / "scratch.duckdb") as connection:
            yield connection, state

    def copy_to_one_file(self, state: Path, target: Path) -> None:
        """Every table with its columns and rows in their order."""
        with tempfile.TemporaryDirectory(prefix="leeway-") as scratch:
            file = Path(scratch) / "state.duckdb"
            with closing(connect(file)) as connection:
                connection.execute("CREATE SCHEMA published")
                names = read_state(state)
                place = names.place(state.parent)
                place.open_to(connection, names.sizes)
                for table in names.tables:
                    connection.execute(f"CREATE TABLE {table.place} AS {_in_order(stored_rows(table, place))}")
                connection.execute("CHECKPOINT")
            copy_in_pieces(file, target)

    def thin(self, folder: Path, before: int) -> None:
        """States of the last days stay, and the one before the newest; files that none of them names go."""
        oldest = (datetime.now(UTC) - KEPT_FOR).timestamp()
        for number in states(folder):
            file = state_file(folder, number)
            if number < before and file.stat().st_mtime < oldest:
                file.unlink()
        kept = [read_state(file) for file in folder.glob(f"*{TABLES_ENDING}")]
        named = {file for state in kept for file in state.sizes}
        for place in {state.place(folder) for state in kept}:
            place.remove(set(place.all_files()) - named)


@lru_cache(maxsize=4)
def _read_once(state: Path, mtime_ns: int) -> State:  # noqa: ARG001 - a state made anew at a place is another one
    return read_state(state)


def _in_order(rows: str) -> str:
    return f"SELECT * EXCLUDE (rowid) FROM ({rows}) ORDER BY rowid"


def _unreadable(table: PartitionedTable, what: str) -> str:
    """A table that tells whoever asks for it what is wrong with it, as SQL."""
    text = what.replace("'", "''")
    columns = {"rowid": "BIGINT", **table.columns}
    return "SELECT " + ", ".join(f"error('{text}')::{kind} AS {quoted(name)}" for name, kind in columns.items())
