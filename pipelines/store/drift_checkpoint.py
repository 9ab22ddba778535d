"""The drift stage's checkpoint as a folder in the store's: it saves time alone, so deleting it loses nothing.

One file an array, used where it lies in the file, and one with their checksums; the large ones are written as they
come. The folder is written beside the one before, and then takes its place; it is no part of the store's state, nor of
its backups.
"""

import json
import shutil
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np

from pipelines.bands.normal import Normal
from pipelines.drift.checkpoint import Checkpoint, FamilyCheckpoint
from pipelines.errors import StoreError
from pipelines.history.trace import Trace
from pipelines.store.folder import Store
from pipelines.store.lock import writers_lock
from pipelines.threads import in_threads

NAME = "drift-checkpoint"
CHECKSUMS = "checksums.json"
BY_CORRECTION = ("ends", "onsets")  # parts with an array for each correction
# What reading a spoilt folder raises.
DAMAGE = (OSError, EOFError, KeyError, ValueError, IndexError, AttributeError)


@contextmanager
def checkpoint_folder(store: Store) -> Iterator["CheckpointFolder"]:
    """The store's, for the length of the block; another process waits.

    Raises:
        StoreError: another process held it all the while, or the store's folder cannot be written.
    """
    target, partial = store.path / NAME, store.path / f"{NAME}.partial"
    with writers_lock(store.path / f"{NAME}.lock", who="keep the drift checkpoint", wait_s=600.0):
        shutil.rmtree(partial, ignore_errors=True)
        with _said(target):
            partial.mkdir()
        try:
            yield CheckpointFolder(target=target, partial=partial)
        finally:
            shutil.rmtree(partial, ignore_errors=True)


@contextmanager
def _said(target: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoreError(f"{target}: {error}. No checkpoint was kept; free space or permissions?") from error


@dataclass(frozen=True, kw_only=True)
class CheckpointFolder:
    """Where the last checkpoint is, and beside it what is there of the next; checksums: of arrays put so far."""

    target: Path
    partial: Path
    checksums: dict[str, int] = field(default_factory=dict)

    def read(self, *, say: Callable[[str], None]) -> Checkpoint | None:
        """The checkpoint that the last run kept; None: there is none that can be used.

        Args:
            say: Told in one line of one that cannot be used.
        """
        if not self.target.exists():
            return None
        try:
            return _checkpoint(_read(self.target))
        except DAMAGE:
            say(f"{self.target}: damaged, or of another release; drift is computed from the first reading.")
            return None

    def put(self, array: np.ndarray) -> np.ndarray:
        """An array of the next checkpoint, as soon as it is known: the same, in a file; a copy where none can be."""
        file = self.partial / f"{uuid4()}.npy"
        try:
            np.save(file, array, allow_pickle=False)
            there: np.ndarray = np.load(file, mmap_mode="r", allow_pickle=False)
        except OSError:
            return array.copy()
        self.checksums[str(file)] = _checksum(array)
        return there

    def write(self, checkpoint: Checkpoint) -> None:
        """Keep a checkpoint for the next run, in the place of the one before.

        Raises:
            StoreError: the disk is full or the folder cannot be written; the store itself is as it was.
        """
        arrays = _arrays(checkpoint)
        with _said(self.target):
            checksums = dict(zip(arrays, in_threads(lambda name: self._file(name, arrays[name]), arrays), strict=True))
            (self.partial / CHECKSUMS).write_text(json.dumps(checksums), encoding="utf-8")
            if self.target.exists():
                shutil.rmtree(self.target)
            self.partial.rename(self.target)

    def _file(self, name: str, array: np.ndarray) -> int:
        """Bring an array into its file, unless it is in one already; its checksum."""
        file = self.partial / f"{name}.npy"
        put = self.checksums.get(str(getattr(array, "filename", "")))
        if put is not None:
            Path(array.filename).rename(file)  # type: ignore[attr-defined]
            return put
        array = np.asarray(array, order="C")
        np.save(file, array, allow_pickle=False)
        return _checksum(array)


def _read(folder: Path) -> dict[str, np.ndarray]:
    """Every array under its name; what is changed in one stays out of its file."""
    checksums: dict[str, int] = json.loads((folder / CHECKSUMS).read_text(encoding="utf-8"))

    def read(name: str) -> np.ndarray:
        array = np.asarray(np.load(folder / f"{name}.npy", mmap_mode="c", allow_pickle=False))
        if _checksum(array) != checksums[name]:
            raise ValueError(name)
        return array

    return dict(zip(checksums, in_threads(read, checksums), strict=True))


def _checksum(array: np.ndarray) -> int:
    return zlib.crc32(array.reshape(-1).view(np.uint8).data)


def _arrays(checkpoint: Checkpoint) -> dict[str, np.ndarray]:
    """Every part of a checkpoint under a name of its own."""
    arrays = {name: np.array(getattr(checkpoint, name)) for name in ("code", "fleet_start", "week")}
    arrays["families"] = np.array(list(checkpoint.families), dtype=np.str_)
    arrays |= {f"trace.{name}": _array(value) for name, value in vars(checkpoint.trace).items()}
    for place, family in enumerate(checkpoint.families.values()):
        for name, value in vars(family).items():
            if name == "normal":
                arrays |= {f"{place}.normal.{part}": value for part, value in vars(value).items()}
            elif name in BY_CORRECTION:
                arrays |= {f"{place}.{name}.{c}": part for c, part in enumerate(value)}
            else:
                arrays[f"{place}.{name}"] = _array(value)
    return arrays


def _array(value: Any) -> np.ndarray:
    words = isinstance(value, tuple)  # names, of which there may be none
    return value if isinstance(value, np.ndarray) else np.asarray(value, dtype=np.str_ if words else None)


def _checkpoint(arrays: Mapping[str, np.ndarray]) -> Checkpoint:
    families = {
        str(family): _family(arrays, f"{place}.") for place, family in enumerate(arrays["families"].tolist())
    }  # fmt: skip
    return Checkpoint(
        code=str(arrays["code"]),
        fleet_start=float(arrays["fleet_start"]),
        week=int(arrays["week"]),
        families=families,
        trace=_trace({field.name: arrays[f"trace.{field.name}"] for field in fields(Trace)}),
    )


def _trace(parts: dict[str, Any]) -> Trace:
    return Trace(**{**parts, "vehicles": tuple(parts["vehicles"].tolist()), "terms": str(parts["terms"])})


def _family(arrays: Mapping[str, np.ndarray], prefix: str) -> FamilyCheckpoint:
    parts: dict[str, Any] = {
        field.name: arrays[prefix + field.name]
        for field in fields(FamilyCheckpoint)
        if field.name not in {"normal", *BY_CORRECTION}
    }
    for name in ("vehicles", "codes", "depots", "calibrations"):
        parts[name] = tuple(parts[name].tolist())
    for name in ("week", "settled_blocks"):
        parts[name] = int(parts[name])
    parts["terms"] = str(parts["terms"])
    normal = Normal(**{field.name: arrays[f"{prefix}normal.{field.name}"] for field in fields(Normal)})
    for name in BY_CORRECTION:
        parts[name] = [arrays[f"{prefix}{name}.{c}"] for c in range(len(parts["codes"]))]
    return FamilyCheckpoint(normal=normal, **parts)
