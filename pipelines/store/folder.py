"""A store on disk: one DuckDB file per committed state and a pointer to the newest; readers and a writer never meet.

A write copies the current state, changes the copy in one transaction, and becomes visible only when the pointer is
replaced. A killed writer leaves a file that nobody points to, which the next writer removes.
"""

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import duckdb

from pipelines.errors import StoreError
from pipelines.store.connection import connect, one_row
from pipelines.store.lock import writers_lock
from pipelines.store.readers import attached, once
from pipelines.store.schema import check_version, is_current, migrate, stored_version

STATE = re.compile(r"state-(\d{6,})\.duckdb")
DISK_ERRORS = (OSError, duckdb.IOException, duckdb.TransactionException, duckdb.OutOfMemoryException)
ATTEMPTS = 20  # a reader loses the race against an unlink only when a writer commits between two system calls


class Store:
    """A fleet's store in the folder `path`; nothing is opened until it is read or written.

    Raises:
        StoreError: `path` is a file.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        if self.path.is_file():
            raise StoreError(f"{self.path} is a file; a store is a folder. Name another path with --store.")

    def version(self) -> int:
        """Number of the committed state that readers see now; 0: nothing was ever written."""
        pointer = self.path / "current"
        try:
            found = STATE.fullmatch(pointer.read_text(encoding="ascii", errors="replace").strip())
        except FileNotFoundError:
            return max(self._states(), default=0)
        if not found:
            raise StoreError(f"{pointer}: does not name a state file. Restore a backup: leeway store restore.")
        return int(found[1])

    def exists(self) -> bool:
        """Whether anything was ever committed."""
        return self.version() > 0

    def state_file(self, version: int) -> Path:
        """The file of a committed state."""
        return self.path / f"state-{version:06d}.duckdb"

    @contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A read-only connection to the newest committed state, whole; close it soon by leaving the block.

        Raises:
            StoreError: there is no store, it is damaged, or a newer release wrote it.
        """
        with ExitStack() as stack:
            connection = self._open_newest(stack)
            if not is_current(once(connection, stored_version)):
                check_version(connection, self.path)
                stack.close()
                with self.writing("bring the store to this release's form"):
                    pass
                connection = self._open_newest(stack)
            yield connection

    @contextmanager
    def writing(self, who: str, *, wait_s: float = 10.0) -> Iterator[duckdb.DuckDBPyConnection]:
        """A connection inside one transaction on a copy of the newest state; published whole on leaving the block.

        Args:
            who: What the caller does, shown to processes that find the store locked.
            wait_s: Seconds to wait for another writer.

        Raises:
            StoreError: another process is writing, the disk is full, or the store cannot be opened.
        """
        self._make_folder()
        with writers_lock(self.path / "lock", who=who, wait_s=wait_s):
            current = self.version()
            self._remove_files_but(current)
            draft = self.path / f"next-{current + 1:06d}.duckdb"
            try:
                yield from self._changed_copy(current, draft)
                self._commit(draft, current + 1)
            except BaseException as error:
                _unlink(draft)
                if isinstance(error, DISK_ERRORS):
                    raise StoreError(
                        f"{self.path}: {_one_line(error)}. Nothing was changed; free space or permissions?"
                    ) from error
                raise
            self._remove_files_but(current + 1)

    def backup(self, target: Path) -> None:
        """Copy the newest committed state to one file, complete or not at all."""
        version = self.version()
        if not version:
            raise StoreError(f"{self.path}: no store here. Load a drop first: leeway load.")
        partial = target.with_name(target.name + ".partial")
        try:
            with writers_lock(self.path / "lock", who="backup", wait_s=60.0):
                shutil.copyfile(self.state_file(self.version()), partial)
            _sync(partial)
            partial.replace(target)
            _sync(target.parent)
        except OSError as error:
            _unlink(partial)
            raise StoreError(f"{target}: {_one_line(error)}. No backup was written.") from error

    def restore(self, source: Path) -> Path | None:
        """Make a backup the newest state.

        Returns:
            Where the state that it took the place of is kept; None: there was none.

        Raises:
            StoreError: the backup cannot be read, or a newer release wrote it.
        """
        _check_backup(source)
        self._make_folder()
        with writers_lock(self.path / "lock", who="restore", wait_s=10.0):
            current = self.version()
            kept = self.path / f"before-restore-{current:06d}.duckdb" if current else None
            try:
                draft = self.path / f"next-{current + 1:06d}.duckdb"
                shutil.copyfile(source, draft)
                if kept:
                    shutil.copyfile(self.state_file(current), kept)
                    _sync(kept)
                self._commit(draft, current + 1)
            except OSError as error:
                raise StoreError(f"{self.path}: {_one_line(error)}. The store is as it was.") from error
            self._remove_files_but(current + 1)
        return kept

    def _states(self) -> list[int]:
        return [int(found[1]) for file in self.path.glob("state-*.duckdb") if (found := STATE.fullmatch(file.name))]

    def _make_folder(self) -> None:
        try:
            self.path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{self.path}: {_one_line(error)}. Name another path with --store.") from error

    def _open_newest(self, stack: ExitStack) -> duckdb.DuckDBPyConnection:
        for _ in range(ATTEMPTS):
            version = self.version()
            if not version:
                raise StoreError(f"{self.path}: no store here. Load a drop first: leeway load DROP --store {self.path}")
            file = self.state_file(version)
            try:
                return stack.enter_context(attached(file))
            except duckdb.Error as error:
                if file.exists() and version == self.version():
                    raise StoreError(f"{file}: {_one_line(error)}. Restore a backup: leeway store restore.") from error
                if not file.exists() and version == self.version():
                    raise StoreError(f"{file} is missing. Restore a backup: leeway store restore.") from error
        raise StoreError(f"{self.path}: changed too often to be read. Try again.")

    def _changed_copy(self, current: int, draft: Path) -> Iterator[duckdb.DuckDBPyConnection]:
        if current:
            shutil.copyfile(self.state_file(current), draft)
        connection = connect(draft)
        try:
            check_version(connection, self.path)
            connection.execute("BEGIN")
            migrate(connection)
            yield connection
            connection.execute("COMMIT")
            connection.execute("CHECKPOINT")
        finally:
            connection.close()

    def _commit(self, draft: Path, version: int) -> None:
        _sync(draft)
        draft.replace(self.state_file(version))
        pointer = self.path / "current.next"
        pointer.write_text(f"{self.state_file(version).name}\n", encoding="ascii")
        _sync(pointer)
        pointer.replace(self.path / "current")
        _sync(self.path)

    def _remove_files_but(self, version: int) -> None:
        for file in [*self.path.glob("state-*.duckdb*"), *self.path.glob("next-*")]:
            if file != self.state_file(version):
                _unlink(file)


def _check_backup(source: Path) -> None:
    try:
        with attached(source) as connection:
            check_version(connection, source)
            one_row(connection, "SELECT count(*) FROM loads")
    except duckdb.Error as error:
        raise StoreError(f"{source}: {_one_line(error)}. Name a file that `leeway store backup` wrote.") from error


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _unlink(file: Path) -> None:
    file.unlink(missing_ok=True)
    file.with_name(file.name + ".wal").unlink(missing_ok=True)


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split())[:200].rstrip(".")
