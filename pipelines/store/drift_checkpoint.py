"""The drift stage's checkpoint as one file in the store's folder: it saves time alone, so deleting it loses nothing.

The file is a zip archive of arrays, each with its checksum. It is written beside the one before, and then takes its
place; it is no part of the store's state, nor of its backups.
"""

import zipfile
from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from pipelines.bands.normal import Normal
from pipelines.drift.checkpoint import Checkpoint, FamilyCheckpoint
from pipelines.errors import StoreError
from pipelines.store.folder import Store
from pipelines.store.lock import writers_lock

NAME = "drift-checkpoint.npz"
BY_CORRECTION = ("ends", "onsets")  # parts with an array for each correction
# What reading a spoilt archive raises.
DAMAGE = (OSError, EOFError, KeyError, ValueError, IndexError, zipfile.BadZipFile)


def write_checkpoint(store: Store, checkpoint: Checkpoint) -> None:
    """Keep a checkpoint for the next run, in the place of the one before.

    Raises:
        StoreError: the disk is full or the folder cannot be written; the store itself is as it was.
    """
    target, partial = store.path / NAME, store.path / f"{NAME}.partial"
    try:
        with writers_lock(store.path / "lock", who="keep the drift checkpoint", wait_s=60.0):
            with partial.open("wb") as file:
                np.savez(file, allow_pickle=False, **_arrays(checkpoint))
            partial.replace(target)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise StoreError(f"{target}: {error}. No checkpoint was kept; free space or permissions?") from error


def read_checkpoint(store: Store, *, say: Callable[[str], None]) -> Checkpoint | None:
    """The checkpoint that the last run kept; None: there is none that can be used.

    Args:
        store: Whose folder it is in.
        say: Told in one line of a file that cannot be used.
    """
    path = store.path / NAME
    if not path.exists():
        return None
    try:
        return _checkpoint(_read(path))
    except DAMAGE:
        say(f"{path}: damaged, or of another release; drift is computed from the first reading.")
        return None


def _read(path: Path) -> dict[str, np.ndarray]:
    with path.open("rb") as file, np.load(file, allow_pickle=False) as archive:
        return {name: archive[name] for name in archive.files}


def _arrays(checkpoint: Checkpoint) -> dict[str, np.ndarray]:
    """Every part of a checkpoint under a name of its own."""
    arrays = {name: np.array(getattr(checkpoint, name)) for name in ("code", "fleet_start", "week")}
    arrays["families"] = np.array(list(checkpoint.families), dtype=np.str_)
    for place, family in enumerate(checkpoint.families.values()):
        for name, value in vars(family).items():
            if name == "normal":
                arrays |= {f"{place}.normal.{part}": value for part, value in vars(value).items()}
            elif name in BY_CORRECTION:
                arrays |= {f"{place}.{name}.{c}": part for c, part in enumerate(value)}
            else:
                words = isinstance(value, tuple)  # names, of which there may be none
                arrays[f"{place}.{name}"] = np.array(value, dtype=np.str_ if words else None)
    return arrays


def _checkpoint(arrays: Mapping[str, np.ndarray]) -> Checkpoint:
    families = {
        str(family): _family(arrays, f"{place}.") for place, family in enumerate(arrays["families"].tolist())
    }  # fmt: skip
    return Checkpoint(
        code=str(arrays["code"]),
        fleet_start=float(arrays["fleet_start"]),
        week=int(arrays["week"]),
        families=families,
    )


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
