"""Whether two analyses rest on the same past: numbers that tell arrays, words and computing code apart; no file."""

import hashlib
from collections.abc import Iterable
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path

import numba
import numpy as np

from pipelines.handover import Int64s


def digest(*parts: bytes) -> str:
    """Of some bytes, in their order."""
    found = hashlib.blake2b(digest_size=16)
    for part in parts:
        found.update(len(part).to_bytes(8, "little") + part)
    return found.hexdigest()


def word(*parts: bytes) -> int:
    """The same as a number of 64 bits."""
    return int(digest(*parts)[:16], 16)


def code_digest(stages: Iterable[str]) -> str:
    """Of the code that computes some stages, and of the libraries that it runs on."""
    modules = [file for stage in stages for file in files(f"pipelines.{stage}").iterdir()]
    modules.append(files("pipelines").joinpath("learning_blocks.py"))
    texts = [file.read_bytes() for file in sorted(modules, key=str) if file.name.endswith(".py")]
    return digest(*texts, *(version(library).encode() for library in ("numba", "numpy", "polars")))


def package_digest() -> str:
    """Of all code and data files that an analysis may rest on, with their names."""
    root = Path(__file__).parent
    every = sorted(file for file in root.rglob("*") if file.suffix in {".py", ".csv", ".toml"})
    return digest(*(part for file in every for part in (file.relative_to(root).as_posix().encode(), file.read_bytes())))


def add_column(  # noqa: PLR0917
    column: np.ndarray, place: int, start: Int64s, first: Int64s, last: Int64s, total: np.ndarray
) -> None:
    """Add to each vehicle's number [V] what one column [R] of 8 bytes says in its rows from `first` to `last`.

    What two stretches say adds up to what the whole says.

    Args:
        column: [R].
        place: Number of the column.
        start: [V] first row of each vehicle, from which its rows count.
        first: [V].
        last: [V].
        total: [V] the numbers so far.
    """
    _add_words(np.ascontiguousarray(column).view(np.uint64), start, first, last, np.uint64(place), total)


@numba.njit(cache=True, nogil=True)
def mixed(word, place):  # type: ignore[no-untyped-def]
    """A word and its place scrambled (the finaliser of Steele, Lea and Flood 2014, SplitMix)."""
    z = word ^ (place * np.uint64(0x9E3779B97F4A7C15))
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@numba.njit(cache=True, nogil=True)
def _add_words(words, start, first, last, column, total):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    for v in range(len(first)):
        for r in range(first[v], last[v]):
            place = (np.uint64(r - start[v]) << np.uint64(20)) | column
            total[v] += mixed(mixed(words[r], np.uint64(1)), place)
