"""The two kinds of store folder, told apart by what lies in them: one DuckDB file a state, or partitioned tables.

A state is a file either way: `state-N.duckdb` holds the rows, `state-N.delta` names the files that do (`partitioned`).
Whatever is read, written or checked goes through the same connection with the same tables, so nothing else asks which.
"""

from collections.abc import Collection
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

import duckdb

from pipelines.store.partitioned import PartitionedTables
from pipelines.store.pointer import TABLES_ENDING
from pipelines.store.single_file import SingleFile


class Kind(Protocol):
    """What the two kinds do in ways of their own."""

    def attach(self, connection: duckdb.DuckDBPyConnection, name: str, state: Path) -> bool:
        """Make a catalog of that name with the state's tables, in the schemas main and published, to be read.

        Returns:
            Whether all of them can be read, so that it is worth keeping.

        Raises:
            duckdb.Error: the state is damaged, or none.
        """

    def rows_of_vehicles(self, state: Path, table: str, vehicle_ids: Collection[str]) -> str | None:
        """The rows among which those of some vehicles lie, as SQL, where fewer than all need be looked at."""

    def damage(self, state: Path) -> str | None:
        """What sizes and checksums say is wrong with a state, in some words; None: nothing."""

    def changing(self, before: Path | None, draft: Path) -> AbstractContextManager[duckdb.DuckDBPyConnection]:
        """A connection to what the next state begins with; on leaving the block `draft` is it, whole.

        Args:
            before: The newest state, which stays as it is; None: there is none.
            draft: File that the next one is written to.

        Raises:
            StoreError: the state before is damaged.
        """

    def rehearsing(self, before: Path | None, scratch: Path) -> AbstractContextManager[duckdb.DuckDBPyConnection]:
        """The same, of which nothing is kept; `scratch`: an empty folder."""

    def copy_to_one_file(self, state: Path, target: Path) -> None:
        """Write the state's tables into a DuckDB file, as a backup is one.

        Raises:
            FileNotFoundError: the state went meanwhile.
        """

    def thin(self, folder: Path, before: int) -> None:
        """Take away the states older than this one that are not kept any longer, with what only they need."""


KINDS: dict[str, Kind] = {".duckdb": SingleFile(), TABLES_ENDING: PartitionedTables()}


def kind_of(state: Path) -> Kind:
    """The kind of a state, by its file's ending; any other file is taken for one of DuckDB."""
    return KINDS.get(state.suffix, KINDS[".duckdb"])
