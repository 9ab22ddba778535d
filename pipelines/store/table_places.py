"""Where the files of partitioned tables lie: in the store's folder, or at an address in an object store.

deltalake writes to object stores; DuckDB reads them through `object_files`, as the extension that it has for them is in
no package and would be fetched. Who may use an address is said by the environment alone, in the names that its provider
gives (`AWS_ACCESS_KEY_ID`); nothing of that is kept or shown.
"""

import os
import re
import shutil
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Protocol
from zlib import crc32

import duckdb

from pipelines.errors import COLOURED, SettingError, StoreError, one_line
from pipelines.store.pointer import TABLES, sync

if TYPE_CHECKING:
    from pipelines.store.object_files import ObjectFiles

ON_THE_WAY = re.compile(r"Error performing .*? - (?=\w)", re.DOTALL)  # what was tried, how often and how long
LOG = "_delta_log"  # a Delta table's folder of versions: definition
WITHOUT = "Partitioned stores need deltalake and obstore, which are not installed: pip install 'leeway[cluster]'."
PATIENCE = {"timeout": "60s", "retry_timeout": "60s"}  # with which deltalake writes; judgement
OUT_OF_REACH = "Nothing was changed. Does it answer from here, and does the environment say who may use it?"
SCHEMES = ("s3", "gs")  # of which deltalake and obstore understand an address alike
ADDRESS = re.compile(r"(?P<scheme>[a-z0-9]+)://[^\s/:?#]+(/[^\s:?#]+)?")  # no colon: a password would stand behind it


class TablePlace(Protocol):
    """What the two kinds of place do in ways of their own. Files are named by their path below the place."""

    @property
    def address(self) -> str | None:
        """In an object store; None: in the store's folder."""

    @property
    def options(self) -> dict[str, str]:
        """What deltalake is told beside the address of a table."""

    def of_table(self, folder: str) -> str:
        """The address of a table, as deltalake takes it."""

    def named(self, file: str) -> str:
        """A file as DuckDB's `read_parquet` takes it."""

    def open_to(self, connection: duckdb.DuckDBPyConnection, sizes: Mapping[str, int]) -> None:
        """Let a connection read files of these sizes in bytes."""

    def sizes(self, files: Collection[str]) -> dict[str, int]:
        """Bytes of each of the files that is there.

        Raises:
            StoreError: the place cannot be reached.
        """

    def all_files(self) -> Iterable[str]:
        """Every Parquet file of a table, whether a state names it or not."""

    def remove(self, files: Collection[str]) -> None:
        """Take files away."""

    def begin(self, folder: str) -> None:
        """Make room for a new table, where a command that was stopped may have left something."""

    def settle(self, folder: str, new: Collection[str], since: int | None) -> None:
        """Return once new files of a table, and the entries of its log since a version, would outlive a power cut."""


@dataclass(frozen=True)
class InFolder:
    """As `TablePlace`: a store's folder."""

    folder: Path
    address: ClassVar[None] = None
    options: ClassVar[dict[str, str]] = {}

    def of_table(self, folder: str) -> str:
        """As `TablePlace`."""
        return str(self.folder / folder)

    def named(self, file: str) -> str:
        """As `TablePlace`."""
        return str(self.folder / file)

    def open_to(self, connection: duckdb.DuckDBPyConnection, sizes: Mapping[str, int]) -> None:
        """As `TablePlace`: any connection can."""

    def sizes(self, files: Collection[str]) -> dict[str, int]:
        """As `TablePlace`."""
        found = {}
        for file in files:
            try:
                found[file] = (self.folder / file).stat().st_size
            except FileNotFoundError:
                continue
        return found

    def all_files(self) -> Iterator[str]:
        """As `TablePlace`."""
        for file in (self.folder / TABLES).glob("*/*/**/*.parquet"):
            if LOG not in file.parts:
                yield str(file.relative_to(self.folder))

    def remove(self, files: Collection[str]) -> None:
        """As `TablePlace`."""
        for file in files:
            (self.folder / file).unlink()

    def begin(self, folder: str) -> None:
        """As `TablePlace`."""
        shutil.rmtree(self.folder / folder, ignore_errors=True)
        (self.folder / folder).mkdir(parents=True)

    def settle(self, folder: str, new: Collection[str], since: int | None) -> None:
        """As `TablePlace`: waits for the disk."""
        place = self.folder / folder
        logs = [log for log in (place / LOG).glob("*.json") if int(log.stem) >= (since or 0)]
        files = [*(self.folder / file for file in new), *logs]
        for file in files:
            sync(file)
        for parent in {parent for file in files for parent in file.parents if parent.is_relative_to(place)}:
            sync(parent)
        if since is None:
            for parent in place.parents[:3]:  # of the schema, of all tables, of the store
                sync(parent)


@dataclass(frozen=True)
class AtAddress:
    """As `TablePlace`: a folder of an object store; what was written there stays, once it is acknowledged.

    address: `s3://BUCKET/FOLDER` or the like.
    """

    address: str
    options: ClassVar[dict[str, str]] = PATIENCE

    def of_table(self, folder: str) -> str:
        """As `TablePlace`."""
        return f"{self.address}/{folder}"

    def named(self, file: str) -> str:
        """As `TablePlace`."""
        return f"{_protocol(self.address)}://{file}"

    def open_to(self, connection: duckdb.DuckDBPyConnection, sizes: Mapping[str, int]) -> None:
        """As `TablePlace`: through a file system of this process."""
        files = self._files()
        files.know(sizes)
        if not connection.filesystem_is_registered(files.protocol):
            connection.register_filesystem(files)

    def sizes(self, files: Collection[str]) -> dict[str, int]:  # noqa: ARG002 - a listing tells of all at once
        """As `TablePlace`."""
        try:
            return self._files().listed(TABLES)
        except OSError as error:
            raise StoreError(f"{self.address}: {one_line(error)}. {OUT_OF_REACH}") from error

    def all_files(self) -> list[str]:
        """As `TablePlace`."""
        return [file for file in self.sizes(()) if file.endswith(".parquet") and f"/{LOG}/" not in file]

    def remove(self, files: Collection[str]) -> None:
        """As `TablePlace`."""
        self._files().remove(files)

    def begin(self, folder: str) -> None:
        """As `TablePlace`."""
        files = self._files()
        files.remove(files.listed(folder))

    def settle(self, folder: str, new: Collection[str], since: int | None) -> None:
        """As `TablePlace`: nothing is to be waited for."""

    def _files(self) -> "ObjectFiles":
        return _files_at(self.address, os.getpid())


def place_of(folder: Path, address: str | None) -> TablePlace:
    """Where the tables of a store lie: at an address, or in the store's folder."""
    return InFolder(folder) if address is None else AtAddress(address)


def checked_address(text: str) -> str:
    """An address as a person wrote it, without a slash at its end.

    Raises:
        SettingError: it is none of an object store, or holds what could be a password.
        StoreError: nobody answers there, its bucket is not there, or something lies there already.
    """
    address = text.rstrip("/")
    found = ADDRESS.fullmatch(address)
    if not found or found["scheme"] not in SCHEMES:
        raise SettingError(
            "--tables: no address of an object store. Write it as s3://BUCKET/FOLDER, of "
            f"{', '.join(SCHEMES)}; who may use it is said by the environment alone."
        )
    if there := AtAddress(address).sizes(()):
        raise StoreError(f"{address}: {min(there)} lies there. Name a folder of which nothing is there.")
    return address


def reason(error: BaseException) -> str:
    """What an object store's error comes down to, of what deltalake and obstore say about the way there."""
    said, _, inside = ON_THE_WAY.sub("", COLOURED.sub("", str(error))).partition("Debug source:")
    causes = [*said.split("↳"), *re.findall(r'message: "([^"]+)"', inside)]
    return ": ".join(one_line(OSError(cause)) for cause in dict.fromkeys((causes[0], causes[-1])))


def _protocol(address: str) -> str:
    return f"leeway{crc32(address.encode()):08x}"


@cache
def _files_at(address: str, process: int) -> "ObjectFiles":  # noqa: ARG001 - a forked process needs its own
    try:
        from pipelines.store.object_files import ObjectFiles  # noqa: PLC0415 - only who has an address needs it
    except ImportError as error:
        raise StoreError(WITHOUT) from error
    return ObjectFiles(address, _protocol(address))
