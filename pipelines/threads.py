"""The same work on many pieces, on both cores: arrays, kernels, frames or files, which let go of Python's lock."""

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

# What was measured; each holds its own piece in memory. One of many processes of a machine has as many as it is told.
THREADS = int(os.environ.get("LEEWAY_THREADS", "2"))

Piece = TypeVar("Piece")
Result = TypeVar("Result")


def in_threads(work: Callable[[Piece], Result], pieces: Iterable[Piece]) -> list[Result]:
    """What the work makes of each piece, in their order."""
    with ThreadPoolExecutor(THREADS) as pool:
        return list(pool.map(work, pieces))


def ahead_of_turn(work: Callable[[Piece], Result], pieces: Iterable[Piece]) -> Iterator[Result]:
    """What the work makes of each piece, in their order; as many as there are threads are made before their turn."""
    with ThreadPoolExecutor(THREADS) as pool:
        coming: deque[Future[Result]] = deque()
        for piece in pieces:
            coming.append(pool.submit(work, piece))
            if len(coming) > THREADS:
                yield coming.popleft().result()
        while coming:
            yield coming.popleft().result()


@contextmanager
def ahead(pieces: Iterator[Piece], *, worth: bool) -> Iterator[Iterator[Piece]]:
    """The same pieces, the first made at once and each of the others while the one before is being worked on.

    Args:
        pieces: Made one after the other, in a thread of their own; leaving the block waits for the one under way.
        worth: Whether they are large enough for a thread; else each is made when it is asked for.
    """
    if not worth:
        yield pieces
        return

    def each(maker: ThreadPoolExecutor, coming: "Future[Piece | None]") -> Iterator[Piece]:
        while (piece := coming.result()) is not None:
            coming = maker.submit(next, pieces, None)
            yield piece

    with ThreadPoolExecutor(1) as maker:
        yield each(maker, maker.submit(next, pieces, None))
