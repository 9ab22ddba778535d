"""The files at an address of an object store, as a file system that DuckDB can read; by deltalake, Arrow and fsspec."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from deltalake.fs import DeltaStorageHandler
from fsspec.implementations.arrow import ArrowFSWrapper
from pyarrow.fs import FileSelector, PyFileSystem

from pipelines.store.table_places import reason

WRITTEN = datetime(2000, 1, 1, tzinfo=UTC)  # when any file was: none is ever written a second time


@contextmanager
def _in_a_line() -> Iterator[None]:
    """Say what went wrong in one line: whoever reads through DuckDB sees no more than the last one."""
    try:
        yield
    except OSError as error:
        raise type(error)(reason(error)) from None


class ObjectFiles(ArrowFSWrapper):  # type: ignore[misc] # fsspec has no types
    """Files by their path below an address.

    Args:
        address: Of a folder in an object store.
        protocol: Before `://` in the names by which DuckDB finds files here.
        options: What deltalake is told beside the address.
    """

    cachable = False
    protocol = ""  # of the class; each has its own

    def __init__(self, address: str, protocol: str, options: dict[str, str]) -> None:
        self.address, self.options, self.sizes = address, options, dict[str, int]()
        super().__init__(self._opened())
        self.protocol = protocol

    def _opened(self) -> PyFileSystem:
        return PyFileSystem(DeltaStorageHandler(self.address, self.options, self.sizes))

    def know(self, sizes: Mapping[str, int]) -> None:
        """Bytes of files, so that nobody need ask for them: two requests for each that is opened."""
        if not sizes.items() <= self.sizes.items():
            self.sizes = dict(sizes)
            self.fs = self._opened()

    @_in_a_line()
    def listed(self, folder: str) -> dict[str, int]:
        """Bytes of every file below a folder.

        Raises:
            OSError: nobody answers, or not this one.
        """
        selected = self.fs.get_file_info(FileSelector(folder, recursive=True, allow_not_found=True))
        return {found.path: found.size for found in selected if found.is_file}

    @_in_a_line()
    def rm_file(self, path: str) -> None:
        """As fsspec's."""
        self.fs.delete_file(path)

    @_in_a_line()
    def info(self, path: str, **how: Any) -> dict[str, Any]:
        """As fsspec's, asked of the object store where a size is not known."""
        file = self._strip_protocol(path)
        if file in self.sizes:
            return {"name": file, "size": self.sizes[file], "type": "file"}
        found: dict[str, Any] = super().info(file, **how)
        return found

    def modified(self, path: str) -> datetime:  # noqa: ARG002
        """As fsspec's."""
        return WRITTEN

    def glob(self, path: str, **how: Any) -> list[str]:  # noqa: ARG002
        """As fsspec's: each file is named, so that nothing need be listed."""
        return [self._strip_protocol(path)]

    @_in_a_line()
    def _open(self, path: str, *given: Any, **how: Any) -> Any:
        return super()._open(path, *given, **how)

    @classmethod
    def _strip_protocol(cls, path: str) -> str:
        return path.rpartition("://")[2]
