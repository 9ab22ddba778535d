"""Read-only connections to state files, many at a time, through one DuckDB instance of this process.

Starting an instance costs ten times as much as attaching a file to a running one, and attaching one costs several times
as much as reading one vehicle, so the instance and the file read last are kept. A state that was superseded is let go
when its last reader leaves, or at the next read of another.
"""

import os
import tempfile
import threading
import weakref
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import duckdb

from pipelines.store.connection import CONFIG, quoted, set_up
from pipelines.store.kinds import kind_of
from pipelines.store.pointer import lies_there

Answer = TypeVar("Answer")
Question = Callable[[duckdb.DuckDBPyConnection], Answer]
Build = Callable[[duckdb.DuckDBPyConnection, str, str], None]


class _Readers:
    """The files that are attached in this process, with how many read each, and what is known of each already."""

    def __init__(self) -> None:
        # Where what does not fit the memory goes while it is sorted: not into the folder that somebody stands in.
        spill = Path(tempfile.gettempdir()) / f"leeway-duckdb-{os.getpid()}"
        self.instance = duckdb.connect(config={**CONFIG, "temp_directory": str(spill)})
        set_up(self.instance)
        self.guard = threading.Lock()
        self.counts: dict[str, int] = {}
        self.paths: dict[str, Path] = {}
        self.flawed: set[str] = set()  # of which something cannot be read, but may be when it is attached again
        self.answers: dict[str, dict[Question[Any], Any]] = {}
        self.scopes: dict[tuple[str, str], str] = {}
        self.reading = weakref.WeakKeyDictionary[duckdb.DuckDBPyConnection, str]()

    def enter(self, name: str, path: Path) -> duckdb.DuckDBPyConnection:
        with self.guard:
            if name not in self.counts:
                for idle in [other for other, count in self.counts.items() if not count]:
                    self._let_go(idle)
                if not kind_of(path).attach(self.instance, name, path):
                    self.flawed.add(name)
                self.paths[name] = path
            self.counts[name] = self.counts.get(name, 0) + 1
            connection = self.instance.cursor()
            self.reading[connection] = name
            return connection

    def leave(self, name: str, path: Path) -> None:
        with self.guard:
            self.counts[name] -= 1
            superseded = not path.exists() and lies_there(path.parent)  # gone with its folder, it is all that is left
            if not self.counts[name] and (name in self.flawed or superseded):
                self._let_go(name)

    def name_of(self, path: Path) -> str:
        """Names the file by its place and its identity: a store made anew at a place is another one."""
        try:
            found = path.stat()
        except OSError:
            with self.guard:
                return next((name for name, kept in self.paths.items() if kept == path), str(path.resolve()))
        return f"{path.resolve()} {found.st_ino} {found.st_mtime_ns}"

    def let_go_of(self, path: Path) -> None:
        """Close a file that is kept although nobody reads it now."""
        with self.guard:
            idle = [name for name, count in self.counts.items() if not count]
            for name in idle:
                if name.rsplit(" ", 2)[0] == str(path.resolve()):
                    self._let_go(name)

    def scope(self, connection: duckdb.DuckDBPyConnection, scope: str, build: Build) -> str:
        with self.guard:
            state = self.reading[connection]
            catalog = f"{state} {scope}"
            if (state, scope) not in self.scopes:
                self.instance.execute(f"ATTACH ':memory:' AS {quoted(catalog)}")
                try:
                    build(self.instance, state, catalog)
                except duckdb.Error:
                    self.instance.execute(f"DETACH {quoted(catalog)}")
                    raise
                self.scopes[state, scope] = catalog
            self.reading[connection] = catalog
            return catalog

    def _let_go(self, name: str) -> None:
        del self.counts[name]
        del self.paths[name]
        self.flawed.discard(name)
        for state, scope in [key for key in self.scopes if key[0] == name]:
            catalog = self.scopes.pop((state, scope))
            self.answers.pop(catalog, None)
            self.instance.execute(f"DETACH {quoted(catalog)}")
        self.answers.pop(name, None)
        self.instance.execute(f"DETACH {quoted(name)}")


@cache
def _readers_of(process: int) -> _Readers:  # noqa: ARG001 (a forked process needs an instance of its own)
    return _Readers()


@contextmanager
def attached(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A read-only connection whose tables are those of the file.

    Raises:
        duckdb.Error: the file is absent, damaged, or no DuckDB file.
    """
    readers = _readers_of(os.getpid())
    name = readers.name_of(path)
    connection = readers.enter(name, path)
    try:
        connection.execute(f"USE {quoted(name)}")
        set_up(connection)
        yield connection
    finally:
        connection.close()
        readers.leave(name, path)


def scoped_catalog(connection: duckdb.DuckDBPyConnection, scope: str, build: Build) -> str:
    """The name of a catalog of views over the state that a connection reads, made once and kept as long as the state.

    Args:
        connection: Of `attached`.
        scope: What the views show; two different things need two names.
        build: Makes them: called with a connection, the name of the state's catalog, and that of the new, empty one.
    """
    return _readers_of(os.getpid()).scope(connection, scope, build)


def rows_of_vehicles(connection: duckdb.DuckDBPyConnection, table: str, vehicle_ids: Collection[str]) -> str:
    """A relation with all rows of some vehicles in a raw table, and with as few others as can be had without a look."""
    readers = _readers_of(os.getpid())
    path = readers.paths.get(readers.reading.get(connection, ""))  # of a whole state, not of what somebody may see
    rows = None if path is None else kind_of(path).rows_of_vehicles(path, table, vehicle_ids)
    return table if rows is None else f"({rows})"


def let_go(path: Path) -> None:
    """Close a file that was read, so that this process can write it: DuckDB opens none twice."""
    _readers_of(os.getpid()).let_go_of(path)


def once(connection: duckdb.DuckDBPyConnection, question: Question[Answer]) -> Answer:
    """What the question gives, asked once of each state that is read: a committed state never changes."""
    readers = _readers_of(os.getpid())
    name = readers.reading.get(connection)
    if name is None:
        return question(connection)
    answers = readers.answers.setdefault(name, {})
    if question not in answers:
        answers[question] = question(connection)
    answer: Answer = answers[question]
    return answer
