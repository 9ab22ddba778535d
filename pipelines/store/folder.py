"""A store on disk: one file per committed state and a pointer to the newest; readers and a writer never meet.

A write copies the newest state, changes the copy in one transaction, and becomes visible only when the pointer is
replaced. Meanwhile the state that was copied is read wholly: only when it is known to be whole is the write kept and
the state before it removed. So two states lie in the folder, and a damaged one never takes the place of a good one.
What a state is, a DuckDB file or the names of partitioned tables, is said by `kinds`.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import duckdb

from pipelines.errors import WAY_OUT, LeewayError, StoreError, one_line
from pipelines.store.kinds import kind_of
from pipelines.store.lock import writers_lock
from pipelines.store.pointer import (
    POINTER,
    TABLES_ENDING,
    ending,
    lies_there,
    number_of,
    point_to,
    read_pointer,
    state_file,
    states,
    sync,
)
from pipelines.store.readers import attached, once
from pipelines.store.schema import check_version, is_current, migrate, stored_version
from pipelines.store.single_file import remove
from pipelines.store.wholeness import damage

# What DuckDB raises where a disk is full or cannot be written, also while it puts a transaction into its file.
DISK_ERRORS = (
    OSError, duckdb.IOException, duckdb.TransactionException, duckdb.OutOfMemoryException, duckdb.FatalException,
)  # fmt: skip
OLDER_FORM = "before-upgrade-from-"  # and the form: a state as the release before wrote it last
NOT_THERE = "not there any more. Is the disk or share that it lies on mounted?"
ATTEMPTS = 20  # a reader loses the race against an unlink only when writers commit between two system calls

_were_read: set[Path] = set()  # folders of stores that this process read
_read_last: dict[Path, Path] = {}  # of each folder whose store is read on: file of the state that was read last
_found_damaged: set[Path] = set()  # files of states of stores that are read on, in which something was missing


class Store:
    """A fleet's store in the folder `path`; nothing is opened until it is read or written.

    Raises:
        StoreError: `path` is a file.
    """

    depots: tuple[str, ...] | None = None  # those whose vehicles are read; None: all
    reads_on = False  # whether another state is read while the newest one cannot be

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        if self.path.is_file():
            raise StoreError(f"{self.path} is a file; a store is a folder. Name another path with --store.")

    def version(self) -> int:
        """Number of the committed state that readers see now; 0: nothing was ever written.

        Where the pointer is gone, or names a file that is not there (the store was copied while it was written), it is
        the newest state that lies in the folder, but never one older than the pointer names.

        Raises:
            StoreError: the state that was committed last is not there any more, or cannot be seen.
        """
        return self._seen()[0]

    def away(self) -> str:
        """Why another state is read than the newest one, as sentences; empty: it is the newest."""
        return self._seen()[2] if self.reads_on and self.path in _read_last else ""

    def _seen(self) -> tuple[int, Path | None, str]:
        """Number of the state that is read; its file and why, where one that is read on is not the newest."""
        last = _read_last.get(self.path) if self.reads_on else None
        try:
            version = self._reached()
        except StoreError as error:
            if last is None:
                raise
            return number_of(last), last, f"{error} Shown is what was read before, until it is back."
        if last is None or not _found_damaged or (newest := self.state_file(version)) not in _found_damaged:
            return version, None, ""
        what = kind_of(newest).damage(newest)
        if not what:
            _found_damaged.discard(newest)
        before = [self.state_file(number) for number in reversed(states(self.path)) if number < version] if what else []
        whole = next((file for file in before if not kind_of(file).damage(file)), None)
        if whole is None:
            return version, None, ""
        return number_of(whole), whole, f"{newest}: damaged ({what}). {WAY_OUT} Shown is the state before it."

    def must_be_there(self) -> None:
        """Refuse to make a folder anew that is read on: what is written there is hidden once the disk is back.

        Raises:
            StoreError: the folder is not there any more, or nothing lies in it, as in one that nothing is mounted at.
        """
        if self.path in _read_last and not lies_there(self.path):
            raise StoreError(f"{self.path}: {NOT_THERE}")

    def _reached(self) -> int:
        try:
            version = self._version()
            if not version and self.reads_on and self.path in _read_last:
                raise StoreError(f"{self.path}: {NOT_THERE}")
        except OSError as error:
            raise StoreError(f"{self.path}: {one_line(error)}. Is it yours to read?") from error
        return version

    def _version(self) -> int:
        for _ in range(ATTEMPTS):
            named = read_pointer(self.path)
            if named and named.fits(self.state_file(named.number)):
                return named.number
            newest = max(states(self.path), default=0)
            if read_pointer(self.path) == named:
                break
        if named and newest == named.number:
            raise StoreError(f"{self.state_file(newest)}: not as long as it was written. {WAY_OUT}")
        if named and newest < named.number:
            raise StoreError(f"{self.state_file(named.number)}: missing. {WAY_OUT}")
        if not newest and (self.path / POINTER).exists():
            raise StoreError(f"{self.path / POINTER}: names no state, and none lies there. {WAY_OUT}")
        return newest

    def exists(self) -> bool:
        """Whether anything was ever committed."""
        return self.version() > 0

    def state_file(self, version: int) -> Path:
        """The file of a committed state."""
        return state_file(self.path, version)

    @contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A read-only connection to the newest committed state, whole; close it soon by leaving the block.

        Raises:
            StoreError: there is no store, it is damaged, or a newer release wrote it.
        """
        with ExitStack() as stack:
            file, connection = self._open_newest(stack)
            try:
                if not is_current(once(connection, stored_version)):
                    check_version(connection, self.path)
                    stack.close()
                    with self.writing("bring the store to this release's form"):
                        pass
                    file, connection = self._open_newest(stack)
                yield connection
            except LeewayError:
                raise
            except Exception as error:
                if not file.exists() and (why := self.away()):
                    raise StoreError(f"{why} What is asked for here was not.") from error
                what = kind_of(file).damage(file)
                if what and self.reads_on and file.suffix == TABLES_ENDING:  # which is quickly seen again
                    _found_damaged.add(file)
                _refuse_damaged(file, what, error)
                raise

    @contextmanager
    def writing(self, who: str, *, wait_s: float = 10.0) -> Iterator[duckdb.DuckDBPyConnection]:
        """A connection inside one transaction on a copy of the newest state; published whole on leaving the block.

        Args:
            who: What the caller does, shown to processes that find the store locked.
            wait_s: Seconds to wait for another writer.

        Raises:
            StoreError: another process is writing, the disk is full, or the store is damaged; nothing was changed.
        """
        with self.locked(who, wait_s=wait_s):
            current = self.version()
            before, draft = self.state_file(current) if current else None, self.draft()
            try:
                with kind_of(draft).changing(before, draft) as connection:
                    yield from self._changed(connection)
                self.commit(draft)
            except LeewayError:
                remove(draft)
                raise
            except BaseException as error:
                remove(draft)
                if before and isinstance(error, Exception):
                    _refuse_damaged(before, damage(before), error)
                if isinstance(error, DISK_ERRORS):
                    raise StoreError(
                        f"{self.path}: {one_line(error)}. Nothing was changed; free space or permissions?"
                    ) from error
                raise
            kind_of(draft).thin(self.path, current)

    @contextmanager
    def rehearsing(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """As `writing`, of which nothing is kept, so that nobody is waited for.

        Raises:
            StoreError: the store is damaged.
        """
        with tempfile.TemporaryDirectory(prefix="leeway-") as scratch:
            current = self.version()
            file = self.state_file(current)
            with kind_of(file).rehearsing(file if current else None, Path(scratch)) as connection:
                yield from self._changed(connection)

    @contextmanager
    def locked(self, who: str, *, wait_s: float) -> Iterator[None]:
        """Be the only one who changes the folder, which is made, and cleared of what killed commands left."""
        try:
            self.must_be_there()
            self.path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{self.path}: {one_line(error)}. Name another path with --store.") from error
        with writers_lock(self.path / "lock", who=who, wait_s=wait_s):
            for left in [*self.path.glob("next-*"), *self.path.glob(f"{POINTER}.next")]:
                if left.is_dir():
                    shutil.rmtree(left)
                else:
                    left.unlink()
            yield

    def draft(self) -> Path:
        """Where the next state is written, before it has a name that readers know; its number is a new one."""
        named = read_pointer(self.path)
        newest = max([*states(self.path), named.number if named else 0])
        return self.path / f"next-{newest + 1:06d}{ending(self.path)}"

    def commit(self, draft: Path) -> int:
        """Make a draft the newest state; its number."""
        number = int(draft.stem.removeprefix("next-"))
        sync(draft)
        draft.replace(self.state_file(number))
        point_to(self.path, number)
        return number

    def _open_newest(self, stack: ExitStack) -> tuple[Path, duckdb.DuckDBPyConnection]:
        for _ in range(ATTEMPTS):
            version, instead, _ = self._seen()
            if not version:
                if self.path in _were_read and not self.path.exists():
                    raise StoreError(f"{self.path}: {NOT_THERE}")
                raise StoreError(f"{self.path}: no store here. Load a drop first: leeway load DROP --store {self.path}")
            file = instead or self.state_file(version)
            try:
                connection = stack.enter_context(attached(file))
                _were_read.add(self.path)
                if self.reads_on:
                    _read_last[self.path] = file
                return file, connection
            except (duckdb.Error, UnicodeDecodeError, OSError) as error:
                if why := self.away():
                    raise StoreError(why) from error
                if file.exists() and version == self.version():
                    raise StoreError(f"{file}: damaged ({one_line(error)}). {WAY_OUT}") from error
        raise StoreError(f"{self.path}: changed too often to be read. Try again.")

    def _keep_for_the_release_before(self, form: int) -> None:
        """Keep the state of an older form as it is, so that its release can take it back: `leeway store restore`."""
        state = self.state_file(self.version())
        aside = self.path / f"{OLDER_FORM}{form}{state.suffix}"
        if not aside.exists():
            aside.hardlink_to(state)

    def _changed(self, connection: duckdb.DuckDBPyConnection) -> Iterator[duckdb.DuckDBPyConnection]:
        form = check_version(connection, self.path)
        if form and not is_current(form):
            self._keep_for_the_release_before(form)
        connection.execute("BEGIN")
        migrate(connection)
        yield connection
        connection.execute("COMMIT")


def _refuse_damaged(file: Path, what: str | None, error: Exception | None = None) -> None:
    if what:
        raise StoreError(f"{file}: damaged ({what}). {WAY_OUT}") from error
