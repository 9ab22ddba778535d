"""A state that is one DuckDB file: how it is read, checked and changed.

A DuckDB file is three headers, then blocks of one size; eight bytes in front of each are the checksum of the rest.
DuckDB checks a block when it reads it; `damage` looks at all of them, a gigabyte in less than half a second.
Source of the form: DuckDB's `storage/single_file_block_manager.cpp` and `common/checksum.cpp`.
"""

from collections.abc import Collection, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import duckdb
import numpy as np

from pipelines.errors import WAY_OUT, StoreError, one_line
from pipelines.store.connection import connect, quoted
from pipelines.store.pointer import copy_in_pieces, state_file, states

HEADER = 4096  # bytes of each of the three headers
BLOCK = 262_144  # bytes of a block, checksum included
AT_ONCE = 16  # blocks that are read together
START, FACTOR = np.uint64(5381), np.uint64(0xBF58476D1CE4E5B9)


class SingleFile:
    """See `kinds.Kind`."""

    def attach(self, connection: duckdb.DuckDBPyConnection, name: str, state: Path) -> bool:
        """The file itself, read-only."""
        text = str(state).replace("'", "''")
        connection.execute(f"ATTACH '{text}' AS {quoted(name)} (READ_ONLY)")
        return True

    def rows_of_vehicles(self, state: Path, table: str, vehicle_ids: Collection[str]) -> str | None:  # noqa: ARG002
        """DuckDB knows itself which parts of its file to skip."""
        return None

    def damage(self, state: Path) -> str | None:
        """Looks at the checksums of all blocks."""
        return damaged_blocks(state)

    @contextmanager
    def changing(self, before: Path | None, draft: Path) -> Iterator[duckdb.DuckDBPyConnection]:
        """A copy is changed, while the file it was made of is looked at."""
        with ThreadPoolExecutor(1) as beside:
            damaged = beside.submit(lambda: damaged_blocks(before) if before else None)
            if before:
                copy_in_pieces(before, draft)
            connection = connect(draft)
            try:
                yield connection
                connection.execute("CHECKPOINT")
            finally:
                connection.close()
            if text := damaged.result():
                raise StoreError(f"{before}: damaged ({text}). {WAY_OUT}")

    @contextmanager
    def rehearsing(self, before: Path | None, scratch: Path) -> Iterator[duckdb.DuckDBPyConnection]:
        """On a copy in the folder."""
        with self.changing(before, scratch / "state.duckdb") as connection:
            yield connection

    def copy_to_one_file(self, state: Path, target: Path) -> None:
        """As it is."""
        copy_in_pieces(state, target)

    def thin(self, folder: Path, before: int) -> None:
        """Every older one goes: the newest is whole, and so is the one before it."""
        for number in states(folder):
            if number < before:
                remove(state_file(folder, number))


def remove(file: Path) -> None:
    """Take a state's file away, and what DuckDB may have left beside it."""
    file.unlink(missing_ok=True)
    file.with_name(file.name + ".wal").unlink(missing_ok=True)


def damaged_blocks(file: Path) -> str | None:
    """What the sizes and checksums of a state's file say is wrong with it, in some words; None: nothing.

    A block that holds nothing but zeros was never written. Where not even the first header reads as expected, the form
    is one that only DuckDB knows, and nothing is said.
    """
    try:
        with file.open("rb") as source:
            first = source.read(HEADER)
            if len(first) < HEADER:
                return f"cut short after {len(first)} bytes"
            if not _whole(np.frombuffer(first, dtype=np.uint8), HEADER).all():
                return None
            source.seek(3 * HEADER)
            blocks = bytearray(AT_ONCE * BLOCK)
            passed = 0
            while count := source.readinto(blocks):
                if count % BLOCK:
                    return f"cut short after {3 * HEADER + passed * BLOCK + count} bytes"
                whole = _whole(np.frombuffer(blocks, dtype=np.uint8, count=count), BLOCK)
                if not whole.all():
                    return f"block {passed + int(np.argmin(whole))} does not fit its checksum"
                passed += count // BLOCK
    except OSError as error:
        return one_line(error)
    return None


def _whole(content: np.ndarray, size: int) -> np.ndarray:
    """[N] whether each of N parts of so many bytes fits the checksum in front of it, or was never written."""
    words = content[: content.size // size * size].view(np.uint64).reshape(-1, size // 8)
    sums = np.array([np.bitwise_xor.reduce(part[1:] * FACTOR) for part in words]) ^ START
    fits: np.ndarray = sums == words[:, 0]
    return fits if fits.all() else fits | ~words.any(axis=1)
