"""The files at an address of an object store: listed, taken away, and read by DuckDB as a file system of fsspec."""

import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any, ClassVar

import obstore
from fsspec import AbstractFileSystem
from obstore.exceptions import BaseError
from obstore.store import from_url

from pipelines.store.table_places import reason

WRITTEN = datetime(2000, 1, 1, tzinfo=UTC)  # when any file was: none is ever written a second time
PATIENCE = timedelta(seconds=30)  # with all attempts at one answer: whoever opened a page waits for it; judgement
ATTEMPTS = 3  # after the first; judgement


@contextmanager
def _in_a_line() -> Iterator[None]:
    """Say what went wrong in one line: whoever reads through DuckDB sees no more than the last one.

    Raises:
        FileNotFoundError: there is no such file, or bucket.
        OSError: anything else.
    """
    try:
        yield
    except FileNotFoundError as error:
        raise FileNotFoundError(reason(error)) from None
    except BaseError as error:
        raise OSError(reason(error)) from None


class ObjectFiles(AbstractFileSystem):  # type: ignore[misc] # fsspec has no types
    """Files by their path below an address.

    Args:
        address: Of a folder in an object store.
        protocol: Before `://` in the names by which DuckDB finds files here.
    """

    cachable: ClassVar[bool] = False

    def __init__(self, address: str, protocol: str) -> None:
        super().__init__()
        self.protocol = protocol
        self.sizes = dict[str, int]()
        # Options of the client would take the place of those that the environment gives it.
        self.files = from_url(address, retry_config={"max_retries": ATTEMPTS, "retry_timeout": PATIENCE})

    def know(self, sizes: Mapping[str, int]) -> None:
        """Bytes of files, so that nobody need ask for them."""
        self.sizes = {**sizes}

    @_in_a_line()
    def listed(self, folder: str) -> dict[str, int]:
        """Bytes of every file below a folder."""
        return {found["path"]: found["size"] for some in obstore.list(self.files, folder) for found in some}

    @_in_a_line()
    def remove(self, files: Iterable[str]) -> None:
        """Take files away; one that is not there is none the less gone."""
        obstore.delete(self.files, list(files))

    @_in_a_line()
    def info(self, path: str, **_: Any) -> dict[str, Any]:
        """As fsspec's, asked of the object store where a size is not known."""
        file = self._strip_protocol(path)
        size = self.sizes.get(file)
        return {"name": file, "type": "file", "size": obstore.head(self.files, file)["size"] if size is None else size}

    def modified(self, _path: str) -> datetime:
        """As fsspec's."""
        return WRITTEN

    def glob(self, path: str, **_: Any) -> list[str]:
        """As fsspec's: each file is named, so that nothing need be listed."""
        return [self._strip_protocol(path)]

    def _open(self, path: str, *_: Any, **__: Any) -> "ReadInRanges":
        return ReadInRanges(self, path)

    @classmethod
    def _strip_protocol(cls, path: str) -> str:
        return path.rpartition("://")[2]


class ReadInRanges:
    """A file in which every thread has its own place: DuckDB's threads share one, and seek and read in two calls."""

    def __init__(self, system: ObjectFiles, path: str) -> None:
        self.system, self.path, self.own = system, path, threading.local()
        self.size: int = system.info(path)["size"]

    def seek(self, to: int, whence: int = 0) -> int:
        """As any file's."""
        self.own.place = to + (0, self.tell(), self.size)[whence]
        return self.tell()

    def tell(self) -> int:
        """As any file's."""
        place: int = getattr(self.own, "place", 0)
        return place

    @_in_a_line()
    def read(self, size: int = -1) -> bytes:
        """As any file's."""
        begin = self.tell()
        end = self.size if size < 0 else min(begin + size, self.size)
        self.own.place = max(begin, end)
        return bytes(obstore.get_range(self.system.files, self.path, start=begin, end=end)) if begin < end else b""

    def close(self) -> None:
        """As any file's: nothing is held."""
