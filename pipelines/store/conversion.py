"""Makes a store of the other kind out of one: every table, its rows in their order, and all that lies beside them."""

import math
import shutil
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from pipelines.errors import SettingError, StoreError, one_line
from pipelines.store.connection import one_row
from pipelines.store.entries_backup import put_into, take_out_of, unite
from pipelines.store.folder import DISK_ERRORS, Store
from pipelines.store.kept_files import lay_files, put_files_into, take_files_out_of
from pipelines.store.kinds import kind_of
from pipelines.store.partitioned_state import write_state
from pipelines.store.partitioned_writing import written_whole
from pipelines.store.pointer import TABLES, TABLES_ENDING
from pipelines.store.table_places import checked_address, place_of

BUCKET_VEHICLES = 4_000  # a family's bucket is analysed in some 2 GB (10,000 vehicles x 104 weeks x 73 take 5.3)


@dataclass(frozen=True, kw_only=True)
class Converted:
    """What a conversion made.

    partitioned: Whether into partitioned tables; else into one file.
    entries: How many entries of people went along.
    """

    partitioned: bool
    entries: int


def convert(source: Store, target: Store, *, buckets: int | None = None, tables: str | None = None) -> Converted:
    """Write a store of the other kind into an empty folder; the source is only read.

    Args:
        source: Of either kind.
        target: A folder in which no state lies.
        buckets: Among how many the vehicles of each family are spread; None: by their number.
        tables: Address in an object store, at which partitioned tables are to lie; None: in the folder.

    Raises:
        SettingError: `tables` is no address, or the source is not one file.
        StoreError: there is no source, it is damaged, the target has a state, or it cannot be written.
    """
    if target.exists():
        raise StoreError(f"{target.path}: a store lies there. Name a folder that is empty or not there.")
    state = source.state_file(source.version())
    partitioned = state.suffix != TABLES_ENDING
    if tables is not None and not partitioned:
        raise SettingError(f"--tables: {source.path} is partitioned tables, of which one file is made, in a folder.")
    place = place_of(target.path, None if tables is None else checked_address(tables))
    with ExitStack() as stack:
        connection = stack.enter_context(source.reading())
        stack.enter_context(target.locked(f"convert {source.path}", wait_s=0.0))
        try:
            if partitioned:
                (target.path / TABLES).mkdir(exist_ok=True)
                vehicles = one_row(connection, "SELECT count(*) FROM vehicles")[0]
                spread = buckets or max(1, math.ceil(vehicles / BUCKET_VEHICLES))
                draft = target.draft()
                write_state(written_whole(connection, place, spread), draft)
            else:
                shutil.rmtree(target.path / TABLES, ignore_errors=True)  # of a conversion that was stopped
                draft = target.draft()
                kind_of(state).copy_to_one_file(state, draft)
            entries = _what_lies_beside(source, target)
            target.commit(draft)
        except DISK_ERRORS as error:
            raise StoreError(f"{target.path}: {one_line(error)}. Nothing was made; free space, permissions?") from error
    return Converted(partitioned=partitioned, entries=entries)


def _what_lies_beside(source: Store, target: Store) -> int:
    """Take along entries, settings, roles and mappings, by way of a file like a backup's; how many entries."""
    with TemporaryDirectory(prefix="leeway-") as folder:
        carried = Path(folder) / "carried.duckdb"
        put_into(carried, source)
        put_files_into(carried, source.path)
        if not carried.exists():
            return 0
        entries = unite(target, *take_out_of(carried))
        lay_files(target.path, take_files_out_of(carried))
    return entries
