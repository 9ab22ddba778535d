"""The same work on many pieces, on both cores: arrays, kernels, frames or files, which let go of Python's lock."""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

THREADS = 2  # what was measured; each holds its own piece in memory

Piece = TypeVar("Piece")
Result = TypeVar("Result")


def in_threads(work: Callable[[Piece], Result], pieces: Iterable[Piece]) -> list[Result]:
    """What the work makes of each piece, in their order."""
    with ThreadPoolExecutor(THREADS) as pool:
        return list(pool.map(work, pieces))
