"""Finds the files of a drop and says which table and format each is, from its name alone; opens none."""

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

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
    """One file of a drop: where it is, the drop's name (its folder), the contract table it holds, and its format."""

    path: Path
    drop: str
    table: str
    format: str

    @property
    def name(self) -> str:
        """The file's name, as messages show it."""
        return self.path.name


def find_files(drops: Iterable[Path]) -> tuple[list[SourceFile], list[Path]]:
    """Files of the drops in the order in which they load (tables that others refer to first, then by path).

    Args:
        drops: Folders (searched through, folders named `truth` or hidden left out) and single files.

    Returns:
        The files to load, and the other files found in folders, whose names belong to no table.

    Raises:
        DropError: a path does not exist, or a single file's name belongs to no table or format.
    """
    found: dict[Path, SourceFile] = {}
    others: list[Path] = []
    for drop in drops:
        if not drop.exists():
            raise DropError(f"{drop}: no such file or folder. Name a drop: a folder of files such as snapshots.csv.")
        for path in _walk(drop):
            file = _source(path)
            if file:
                found[path.resolve()] = file
            elif path == drop:
                raise DropError(f"{path}: {_misnamed(path)}")
            else:
                others.append(path)
    in_order = sorted(found.items(), key=lambda item: (TABLE_ORDER.index(item[1].table), str(item[0])))
    return [file for _, file in in_order], others


def foreign_files(drops: Iterable[Path], table: str) -> list[SourceFile]:
    """Files that a mapping makes rows of `table` of, whatever their names; in folders those of a known ending.

    Raises:
        DropError: a path does not exist.
    """
    found: dict[Path, SourceFile] = {}
    for drop in drops:
        if not drop.exists():
            raise DropError(f"{drop}: no such file or folder. Name the file that the mapping is for.")
        for path in _walk(drop):
            kind = next((FORMATS[e] for e in ENDINGS if path.name.lower().endswith(e)), None)
            if kind or path == drop:
                folder = path.resolve().parent.name
                found[path.resolve()] = SourceFile(path=path, drop=folder, table=table, format=kind or "csv")
    return [file for _, file in sorted(found.items(), key=lambda item: str(item[0]))]


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


def _walk(drop: Path) -> list[Path]:
    if drop.is_file():
        return [drop]
    return [
        path
        for path in sorted(drop.rglob("*"))
        if path.is_file() and not any(part == "truth" or part.startswith(".") for part in path.relative_to(drop).parts)
    ]


def _source(path: Path) -> SourceFile | None:
    ending = next((e for e in ENDINGS if path.name.lower().endswith(e)), None)
    table = table_of(path.name)
    if ending is None or table not in drop_tables():
        return None
    return SourceFile(path=path, drop=path.resolve().parent.name, table=table, format=FORMATS[ending])


def _misnamed(path: Path) -> str:
    if table_of(path.name) in drop_tables():
        return f"the ending is none of {' '.join(FORMATS)}. Save it in one of these formats."
    return (
        f"'{table_of(path.name)}' is no table of a drop ({', '.join(TABLE_ORDER)}). "
        "Name the file after its table, or say with --mapping what its columns mean."
    )
