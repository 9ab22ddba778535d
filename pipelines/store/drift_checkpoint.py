"""The drift stage's checkpoint as a folder in the store's: it saves time alone, so deleting it loses nothing.

One file an array, used where it lies in the file, and one with their checksums. The folder is written beside the one
before, and then takes its place; it is no part of the store's state, nor of its backups.
"""

import json
import shutil
import zlib
from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

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


def write_checkpoint(store: Store, checkpoint: Checkpoint) -> None:
    """Keep a checkpoint for the next run, in the place of the one before.

    Raises:
        StoreError: the disk is full or the folder cannot be written; the store itself is as it was.
    """
    target, partial = store.path / NAME, store.path / f"{NAME}.partial"
    try:
        with writers_lock(store.path / "lock", who="keep the drift checkpoint", wait_s=60.0):
            shutil.rmtree(partial, ignore_errors=True)
            _write(partial, _arrays(checkpoint))
            if target.exists():
                shutil.rmtree(target)
            partial.rename(target)
    except OSError as error:
        shutil.rmtree(partial, ignore_errors=True)
        raise StoreError(f"{target}: {error}. No checkpoint was kept; free space or permissions?") from error


def read_checkpoint(store: Store, *, say: Callable[[str], None]) -> Checkpoint | None:
    """The checkpoint that the last run kept; None: there is none that can be used.

    Args:
        store: Whose folder it is in.
        say: Told in one line of one that cannot be used.
    """
    path = store.path / NAME
    if not path.exists():
        return None
    try:
        return _checkpoint(_read(path))
    except DAMAGE:
        say(f"{path}: damaged, or of another release; drift is computed from the first reading.")
        return None


def _write(folder: Path, arrays: Mapping[str, np.ndarray]) -> None:
    folder.mkdir()

    def write(name: str) -> int:
        array = np.asarray(arrays[name], order="C")
        np.save(folder / f"{name}.npy", array, allow_pickle=False)
        return _checksum(array)

    checksums = dict(zip(arrays, in_threads(write, arrays), strict=True))
    (folder / CHECKSUMS).write_text(json.dumps(checksums), encoding="utf-8")


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
    return np.asarray(value, dtype=np.str_ if words else None)


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
