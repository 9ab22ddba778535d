"""Backups of a store, and restoring: from a backup, or from the newest whole state that lies in the folder itself.

Every file is read wholly before it counts: a damaged store gives no backup, a damaged backup is not restored. What a
restore takes the place of stays beside the states as `before-restore-N.duckdb`, until another whole one takes its
place. What a killed backup left goes with the next backup into that folder.
"""

import fcntl
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from pipelines.errors import WAY_OUT, StoreError, one_line
from pipelines.store.entries_backup import mend, put_into, take_out_of, unite
from pipelines.store.folder import DISK_ERRORS, Store
from pipelines.store.kept_files import lay_files, put_files_into, take_files_out_of
from pipelines.store.kinds import kind_of
from pipelines.store.pointer import TABLES_ENDING, copy_in_pieces, ending, read_pointer, states, sync
from pipelines.store.readers import attached
from pipelines.store.schema import check_version
from pipelines.store.single_file import damaged_blocks, remove
from pipelines.store.wholeness import damage

PARTIAL = ".leeway-partial"  # ending of a backup that is being written
ASIDE = "before-restore-"  # and the number of the state


@dataclass(frozen=True, kw_only=True)
class Restored:
    """What a restore did.

    source: The file that is the newest state now; None: the state was whole.
    kept: Where the state is that it took the place of; None: there was none.
    entries: How many entries came back into the record of what people enter.
    record_aside: Where a damaged record is kept; None: it was whole.
    files: Settings, roles and mappings that came back.
    """

    source: Path | None = None
    kept: Path | None = None
    entries: int = 0
    record_aside: Path | None = None
    files: tuple[str, ...] = ()


def back_up(store: Store, target: Path) -> None:
    """Copy the newest committed state to one file, whole or not at all; the store may be in use.

    Raises:
        StoreError: there is no store, it is damaged, or the file cannot be written.
    """
    partial = target.with_name(target.name + PARTIAL)
    try:
        _clear_partial(target.parent)
        with partial.open("xb") as copy, ExitStack() as stack:
            fcntl.flock(copy, fcntl.LOCK_EX)  # by which others see that it is being written
            stack.callback(partial.unlink, missing_ok=True)
            state = _copy_newest(store, partial)
            if text := damage(partial):
                raise StoreError(f"{state}: damaged ({text}). No backup was written. {WAY_OUT}")
            put_into(partial, store)
            put_files_into(partial, store.path)
            if text := damaged_blocks(partial):
                raise StoreError(f"{target}: written badly ({text}). No backup was written; the disk?")
            sync(partial)
            partial.replace(target)
            sync(target.parent)
    except FileExistsError as error:
        raise StoreError(f"{partial}: another backup is being written. Wait until it is done.") from error
    except DISK_ERRORS as error:
        raise StoreError(f"{target}: {one_line(error)}. No backup was written; free space or permissions?") from error


def restore(store: Store, source: Path | None = None) -> Restored | None:
    """Make a backup the newest state, or the newest whole one of those that lie in the store's folder.

    What people entered is never taken back: the backup's entries are added to those that are there. A damaged record
    is put aside first.

    Args:
        store: Which may be damaged in any way.
        source: A backup, or any whole state; None: one of the folder's own.

    Returns:
        What was done; None: no source was named, and the newest state and the record are whole.

    Raises:
        StoreError: the backup is damaged or of a newer release, no whole state lies in the folder, or it cannot be
            written; nothing was changed.
    """
    if source is not None:
        _refuse_unusable(source, store)
    with store.locked("restore", wait_s=10.0):
        aside = mend(store)
        before = _newest_file(store)
        chosen = source or _newest_whole(store)
        if source is None and chosen == before and _serves(store):
            return Restored(record_aside=aside) if aside else None
        draft = store.draft()
        try:
            copy_in_pieces(chosen, draft)
            entries, files = 0, list[str]()
            if source is not None:  # what people entered lies beside the states, and goes along in backups alone
                entries = unite(store, *take_out_of(draft))
                files = lay_files(store.path, take_files_out_of(draft))
            store.commit(draft)
            kept = _put_aside(store, before) if before and before != chosen else None
        except StoreError:
            remove(draft)
            raise
        except DISK_ERRORS as error:
            remove(draft)
            raise StoreError(
                f"{store.path}: {one_line(error)}. Nothing was changed; free space or permissions?"
            ) from error
    return Restored(source=chosen, kept=kept, entries=entries, record_aside=aside, files=tuple(files))


def _copy_newest(store: Store, target: Path) -> Path:
    """Copy the newest state; two writes may pass while this finds its file, and take it away."""
    while version := store.version():
        state = store.state_file(version)
        try:
            kind_of(state).copy_to_one_file(state, target)
        except FileNotFoundError:
            if state.exists() or version == store.version():
                raise
        else:
            return state
    raise StoreError(f"{store.path}: no store here. Load a drop first: leeway load.")


def _clear_partial(folder: Path) -> None:
    """Take away what killed backups left in a folder."""
    for left in folder.glob(f"*{PARTIAL}"):
        with left.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                continue
            left.unlink(missing_ok=True)


def _refuse_unusable(source: Path, store: Store) -> None:
    if TABLES_ENDING in (source.suffix, ending(store.path)):
        raise StoreError(
            f"{source}: backups go back into a folder of one file: leeway store restore {source} --store NEW. "
            "Then make partitioned tables of that: leeway store convert NEW OTHER."
        )
    text = damage(source)
    if not text:
        with attached(source) as connection:
            text = None if check_version(connection, source) else "no state of a store"
    if text:
        raise StoreError(f"{source}: {text}. Name a file that `leeway store backup` wrote, another one if damaged.")


def _newest_file(store: Store) -> Path | None:
    """The state that the pointer names, or else the newest one; None: no state lies in the folder."""
    named = read_pointer(store.path)
    if named and store.state_file(named.number).exists():
        return store.state_file(named.number)
    newest = max(states(store.path), default=None)
    return None if newest is None else store.state_file(newest)


def _serves(store: Store) -> bool:
    named = read_pointer(store.path)
    return named is not None and named.fits(store.state_file(named.number))


def _newest_whole(store: Store) -> Path:
    own = [store.state_file(number) for number in reversed(states(store.path))]
    for file in [*own, *sorted(store.path.glob(f"{ASIDE}*{ending(store.path)}"), reverse=True)]:
        if not damage(file):
            return file
    raise StoreError(f"{store.path}: no whole state lies there. Name a backup: leeway store restore BACKUP.")


def _put_aside(store: Store, state: Path) -> Path:
    """Keep a state that was taken the place of; an earlier one kept so goes if this one is whole."""
    kept = store.path / state.name.replace("state-", ASIDE)
    state.replace(kept)
    if not damage(kept):
        for earlier in set(store.path.glob(f"{ASIDE}*")) - {kept}:
            earlier.unlink()
    return kept
