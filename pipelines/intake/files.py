"""Finds the files of a drop and says which table and format each is, from its name alone; opens none."""

import hashlib
import os
import re
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipelines.catalogue.names import printable
from pipelines.catalogue.tables import drop_tables
from pipelines.errors import DropError

FORMATS = {
    ".csv": "csv", ".csv.gz": "csv", ".tsv": "csv", ".parquet": "parquet", ".ndjson": "ndjson",
    ".jsonl": "ndjson", ".xlsx": "xlsx",
}  # fmt: skip
ENDINGS = sorted(FORMATS, key=len, reverse=True)
TABLE_ORDER = [
    "corrections", "families", "vehicles", "components", "calibrations", "bays", "snapshots", "readings", "faults",
    "work", "availability", "due", "notes",
]  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class SourceFile:
    """One file of a drop: where it is, the drop's name (its folder), the contract table it holds, and its format.

    refused: Why it is not opened at all; empty: it is.
    """

    path: Path
    drop: str
    table: str
    format: str
    refused: str = ""

    @property
    def name(self) -> str:
        """The file's name, as messages show it."""
        return printable(self.path.name)


def find_files(drops: Iterable[Path]) -> tuple[list[SourceFile], list[Path]]:
    """Files of the drops in the order in which they load (tables that others refer to first, then by path).

    Args:
        drops: Folders (searched through, folders named `truth` or hidden left out) and single files.

    Returns:
        The files to load (those that cannot be opened with the reason), and the other files found in folders, whose
        names belong to no table.

    Raises:
        DropError: a path does not exist, or a single file's name belongs to no table or format.
    """
    found: dict[str, SourceFile] = {}
    others: list[Path] = []
    for drop in drops:
        for path in _walk(drop, "Name a drop: a folder of files such as snapshots.csv."):
            file = _source(path)
            if file:
                found[os.path.realpath(path)] = file
            elif path == drop:
                raise DropError(f"{printable(str(path))}: {unfit(path) or _misnamed(path)}")
            else:
                others.append(path)
    in_order = sorted(found.items(), key=lambda item: (TABLE_ORDER.index(item[1].table), item[0]))
    return [file for _, file in in_order], others


def foreign_files(drops: Iterable[Path], table: str) -> list[SourceFile]:
    """Files that a mapping makes rows of `table` of, whatever their names; in folders those of a known ending.

    Raises:
        DropError: a path does not exist.
    """
    found: dict[str, SourceFile] = {}
    for drop in drops:
        for path in _walk(drop, "Name the file that the mapping is for."):
            kind = next((FORMATS[e] for e in ENDINGS if path.name.lower().endswith(e)), None)
            if kind or path == drop:
                found[os.path.realpath(path)] = _source_file(path, table, kind or "csv")
    return [file for _, file in sorted(found.items(), key=lambda item: item[0])]


def content_hash(file: SourceFile, mapping: str = "") -> str:
    """SHA-256 of the file's bytes, its table and its mapping: mapped otherwise, it is another file."""
    digest = hashlib.sha256(mapping.encode())
    part = memoryview(bytearray(2**18))
    with file.path.open("rb", buffering=0) as stream:
        while size := stream.readinto(part):
            digest.update(part[:size])
    return f"{file.table}:{digest.hexdigest()}"


def table_of(name: str) -> str:
    """The table a file name stands for: the part before the first dot, hyphen or digit."""
    return re.split(r"[.\-0-9]", name, maxsplit=1)[0].rstrip("_ ").lower()


def _walk(drop: Path, instead: str) -> list[Path]:
    """What lies in a drop, folders aside: files, and what is neither (see `_unfit`)."""
    if not os.path.lexists(drop):
        raise DropError(f"{printable(str(drop))}: no such file or folder. {instead}")
    if not drop.is_dir():
        return [drop]
    return sorted(_inside(drop), key=os.fsencode)


def _inside(folder: Path) -> Iterator[Path]:
    try:
        with os.scandir(folder) as found:
            entries = [entry for entry in found if entry.name != "truth" and not entry.name.startswith(".")]
    except OSError:
        yield folder
        return
    for entry in entries:
        if entry.is_dir(follow_symlinks=False):
            yield from _inside(Path(entry.path))
        else:
            yield Path(entry.path)


def _source(path: Path) -> SourceFile | None:
    ending = next((e for e in ENDINGS if path.name.lower().endswith(e)), None)
    table = table_of(path.name)
    if ending is None or table not in drop_tables():
        return None
    return _source_file(path, table, FORMATS[ending])


def _source_file(path: Path, table: str, file_format: str) -> SourceFile:
    folder = printable(path.parent.resolve().name)
    return SourceFile(path=path, drop=folder, table=table, format=file_format, refused=unfit(path))


KINDS = {
    stat.S_IFIFO: "a named pipe", stat.S_IFSOCK: "a socket", stat.S_IFCHR: "a device", stat.S_IFBLK: "a device",
}  # fmt: skip


def unfit(path: Path) -> str:
    """Why a path is not opened: what it is, where it is no file, or its name; empty: it is a file.

    Nothing is opened to find out: a named pipe would never answer.
    """
    if printable(path.name) != path.name:
        return "its name cannot be printed (it is no UTF-8, or holds control characters). Rename it."
    try:
        kind = stat.S_IFMT(path.stat().st_mode)
    except OSError as error:
        what = "is a link that leads nowhere" if path.is_symlink() else f"cannot be looked at ({error.strerror})"
        return f"{what}. Put the file itself there."
    if kind == stat.S_IFDIR:
        what = "a link to a folder, which is not followed" if path.is_symlink() else "a folder that cannot be opened"
        return f"is {what}. Name that folder as a drop of its own."
    return f"is {KINDS[kind]}, no file. Put the file itself there." if kind in KINDS else ""


def _misnamed(path: Path) -> str:
    if table_of(path.name) in drop_tables():
        return f"the ending is none of {' '.join(FORMATS)}. Save it in one of these formats."
    return (
        f"'{table_of(path.name)}' is no table of a drop ({', '.join(TABLE_ORDER)}). "
        "Name the file after its table, or say with --mapping what its columns mean; or load it in a terminal, or with "
        "--yes, and they are found out."
    )
