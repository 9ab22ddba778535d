"""The writer's lock of a store: held by one process at a time, and saying which; no table, no rows."""

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from pipelines.errors import LockedError, StoreError


@contextmanager
def writers_lock(path: Path, *, who: str, wait_s: float) -> Iterator[None]:
    """Hold the lock at `path` for the length of the block; the system frees it when the process dies.

    Args:
        path: The lock's file; it stays, its text names the last holder.
        who: What the holder does, for the message that another process gets.
        wait_s: Seconds to wait for another holder to finish.

    Raises:
        LockedError: another process held the lock all the while.
        StoreError: the file cannot be written.
    """
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror}. Nothing was changed; free space or permissions?") from error
    try:
        _acquire(descriptor, path, wait_s)
        _sign(descriptor, f"process {os.getpid()} ({who}) since {datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC")
        yield
        _sign(descriptor, "")
    finally:
        os.close(descriptor)


def _sign(descriptor: int, text: str) -> None:
    with suppress(OSError):  # on a full disk the lock holds without its text
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, text.encode(), 0)


def _acquire(descriptor: int, path: Path, wait_s: float) -> None:
    deadline = time.monotonic() + wait_s
    while True:
        with suppress(BlockingIOError):
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        if time.monotonic() >= deadline:
            holder = os.pread(descriptor, 200, 0).decode(errors="replace") or "another process"
            raise LockedError(
                f"{path.parent}: {holder} is writing to this store. Wait until it is done, then try again."
            )
        time.sleep(0.05)
