"""The drift stage's checkpoint as a folder in the store's: it saves time alone, so deleting it loses nothing.

One file an array, used where it lies in the file, and one with their checksums; the large ones are written as they
come. The next one is written into a spare folder, which then takes the place of the one before, and that becomes the
spare one. Neither is part of the store's state, nor of its backups.
"""

import json
import shutil
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path
from threading import Lock
from typing import Any, Literal

import numpy as np

from pipelines.bands.group_levels import GROUP
from pipelines.bands.normal import Normal
from pipelines.bands.recalibration import LEVEL, SHIFT
from pipelines.bands.scatter import SERIES_SCATTER
from pipelines.bands.season import PEER, WEEKLY
from pipelines.digests import digest
from pipelines.drift.onset_bank import ONSET
from pipelines.drift.series import JOINED, SERIES
from pipelines.errors import StoreError
from pipelines.resume.drift_checkpoint import Checkpoint, FamilyCheckpoint
from pipelines.resume.reset_checkpoint import ResetCheckpoint
from pipelines.store.folder import Store
from pipelines.store.lock import writers_lock
from pipelines.threads import in_threads

NAME = "drift-checkpoint"
CHECKSUMS = "checksums.json"
IN_PARTS = ("ends", "onsets", "joined")  # with an array for each correction, direction, or either
# Parts of records. A file forgets that they are aligned; kernels would be compiled anew for them, and run slower.
RECORDS = {
    "scatter": SERIES_SCATTER,
    "peers": PEER,
    "known_groups": GROUP,
    "weeks": WEEKLY,
    "levels": LEVEL,
    "shifts": SHIFT,
    "series": SERIES,
}
# What reading a spoilt folder raises.
DAMAGE = (OSError, EOFError, KeyError, ValueError, IndexError, AttributeError)
OPENING = Lock()  # of one file at a time: numpy parses headers by `ast`, not safe in threads of Python 3.11


@contextmanager
def checkpoint_folder(store: Store) -> Iterator["CheckpointFolder"]:
    """The store's, for the length of the block; another process waits.

    Raises:
        StoreError: another process held it all the while, or the store's folder cannot be written.
    """
    target, spare = store.path / NAME, store.path / f"{NAME}.spare"
    with writers_lock(store.path / f"{NAME}.lock", who="keep the drift checkpoint", wait_s=600.0):
        with _said(target):
            shutil.rmtree(_between(target), ignore_errors=True)  # of a run that was stopped
            spare.mkdir(exist_ok=True)
        yield CheckpointFolder(target=target, spare=spare)


def _between(target: Path) -> Path:
    return target.with_name(f"{NAME}.between")


@contextmanager
def _said(target: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoreError(f"{target}: {error}. No checkpoint was kept; free space or permissions?") from error


@dataclass(frozen=True, kw_only=True)
class CheckpointFolder:
    """Where the last checkpoint is, and the spare folder that the next one is written into; its files are used again.

    checksums: of the arrays put so far, by file name.
    """

    target: Path
    spare: Path
    checksums: dict[str, int] = field(default_factory=dict)

    def read(self, *, say: Callable[[str], None]) -> Checkpoint | None:
        """The checkpoint that the last run kept; None: there is none, or none that the present code can go on from.

        Args:
            say: Told in one line of one that cannot be used.
        """
        if not self.target.exists():
            return None
        try:
            kept = _checkpoint(_read(self.target))
            return kept if kept.fits else None
        except DAMAGE:
            say(f"{self.target}: damaged, or of another release; drift is computed from the first reading.")
            return None

    def put(self, name: str, array: np.ndarray) -> np.ndarray:
        """An array of the next checkpoint, as soon as it is known: the same, in a file; a copy where none can be."""
        file = self.spare / f"{digest(name.encode())}.npy"
        try:
            _save(file, array)
            there = _opened(file, "r")
        except OSError:
            return array.copy()
        self.checksums[file.name] = _checksum(array)
        return there

    def write(self, checkpoint: Checkpoint) -> None:
        """Keep a checkpoint for the next run, in the place of the one before.

        Raises:
            StoreError: the disk is full or the folder cannot be written; the store itself is as it was.
        """
        arrays = _arrays(checkpoint)
        with _said(self.target):
            files = dict(zip(arrays, in_threads(lambda name: self._file(name, arrays[name]), arrays), strict=True))
            (self.spare / CHECKSUMS).write_text(json.dumps(files), encoding="utf-8")
            for file in set(self.spare.iterdir()) - {self.spare / name for name in (CHECKSUMS, *dict(files.values()))}:
                file.unlink()
            if self.target.exists():
                self.target.rename(_between(self.target))
            self.spare.rename(self.target)
            if _between(self.target).exists():
                _between(self.target).rename(self.spare)

    def _file(self, name: str, array: np.ndarray) -> tuple[str, int]:
        """Name and checksum of an array's file, which is written unless it is there already."""
        there = Path(str(getattr(array, "filename", "")))
        if there.parent == self.spare:
            return there.name, self.checksums[there.name]
        array = np.asarray(array, order="C")
        file = self.spare / f"{name}.npy"
        _save(file, array)
        return file.name, _checksum(array)


def _save(file: Path, array: np.ndarray) -> None:
    """Over what the file held, so that no place on the disk need be given up and found anew."""
    with file.open("r+b" if file.exists() else "xb") as out:
        np.lib.format.write_array(out, array, allow_pickle=False)
        out.truncate()


def _read(folder: Path) -> dict[str, np.ndarray]:
    """Every array under its name; what is changed in one stays out of its file."""
    files: dict[str, tuple[str, int]] = json.loads((folder / CHECKSUMS).read_text(encoding="utf-8"))

    def read(name: str) -> np.ndarray:
        file, checksum = files[name]
        array = _opened(folder / file, "c")
        if _checksum(array) != checksum:
            raise ValueError(name)
        return array

    return dict(zip(files, in_threads(read, files), strict=True))


def _opened(file: Path, mode: Literal["r", "c"]) -> np.ndarray:
    with OPENING:
        return np.asarray(np.load(file, mmap_mode=mode, allow_pickle=False))


def _checksum(array: np.ndarray) -> int:
    return zlib.crc32(array.reshape(-1).view(np.uint8).data)


def _arrays(checkpoint: Checkpoint) -> dict[str, np.ndarray]:
    """Every part of a checkpoint under a name of its own."""
    arrays = {name: np.array(getattr(checkpoint, name)) for name in ("code", "fleet_start", "week")}
    arrays["families"] = np.array(list(checkpoint.families), dtype=np.str_)
    arrays |= {f"resets.{name}": _array(value) for name, value in vars(checkpoint.resets).items()}
    for place, family in enumerate(checkpoint.families.values()):
        for name, value in vars(family).items():
            if name == "normal":
                arrays |= {f"{place}.normal.{part}": value for part, value in vars(value).items()}
            elif name in IN_PARTS:
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
        resets=_resets({field.name: arrays[f"resets.{field.name}"] for field in fields(ResetCheckpoint)}),
    )


def _resets(parts: dict[str, Any]) -> ResetCheckpoint:
    return ResetCheckpoint(**{**parts, "vehicles": tuple(parts["vehicles"].tolist()), "terms": str(parts["terms"])})


def _family(arrays: Mapping[str, np.ndarray], prefix: str) -> FamilyCheckpoint:
    parts: dict[str, Any] = {
        field.name: arrays[prefix + field.name]
        for field in fields(FamilyCheckpoint)
        if field.name not in {"normal", *IN_PARTS}
    }
    for name, dtype in RECORDS.items():
        parts[name] = parts[name].view(dtype)
    for name in ("vehicles", "codes", "depots", "groups", "calibrations"):
        parts[name] = tuple(parts[name].tolist())
    for name in ("week", "settled_blocks"):
        parts[name] = int(parts[name])
    parts["terms"] = str(parts["terms"])
    normal = Normal(**{field.name: arrays[f"{prefix}normal.{field.name}"] for field in fields(Normal)})
    corrections, directions = len(parts["codes"]), len(parts["turns"])
    for name, count in zip(IN_PARTS, (corrections, corrections + directions, directions), strict=True):
        parts[name] = [arrays[f"{prefix}{name}.{place}"] for place in range(count)]
    for name, dtype in (("onsets", ONSET), ("joined", JOINED)):
        parts[name] = [part.view(dtype) for part in parts[name]]
    return FamilyCheckpoint(normal=normal, **parts)
