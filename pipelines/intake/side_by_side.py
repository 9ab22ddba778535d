"""Reads several files side by side and hands them on in their order: no result depends on which is read first."""

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field

from pipelines.errors import DropError
from pipelines.intake.blocks import Block
from pipelines.intake.files import SourceFile
from pipelines.threads import ahead, ahead_of_turn

LARGE_BYTES = 2**20  # of a file, whose blocks are read in a thread beside
FIRST_BYTES = (
    16 * 2**20
)  # of a file, whose first blocks are read before its turn: three such are held; a larger one waits
FIRST_ROWS = 50_000  # that are read of a file before its turn


@dataclass(kw_only=True)
class Opened:
    """A file whose turn has come.

    file: Which.
    content_hash: Of it; empty: it cannot be read.
    came: Whether a file of that content had come by the time it was read: then nothing more of it was.
    problem: Why it cannot be read, or no further than it was.
    """

    file: SourceFile
    content_hash: str = ""
    came: bool = False
    problem: Exception | None = None
    _first: list[Block] = field(default_factory=list)
    _rest: Iterator[Block] = field(default_factory=lambda: iter(()))

    def begin(self, blocks: Iterator[Block]) -> None:
        """Read as much of its blocks as is read before its turn."""
        self._rest = blocks
        if self.file.path.stat().st_size <= FIRST_BYTES:
            for block in blocks:
                self._first.append(block)
                if sum(each.height for each in self._first) >= FIRST_ROWS:
                    break

    def refuse_unread(self) -> None:
        """Raise why there is no content hash.

        Raises:
            DropError, OSError: the file is not opened, or cannot be.
        """
        if self.problem and not self.content_hash:
            raise self.problem

    @contextmanager
    def blocks(self) -> Iterator[Iterator[Block]]:
        """Its rows, those that are read already first.

        Raises:
            DropError, OSError: it cannot be read any further.
        """
        large = self.problem is None and self.file.path.stat().st_size > LARGE_BYTES
        with ahead(self._rest, worth=True) if large else nullcontext(self._rest) as rest:
            yield self._each(rest)

    def _each(self, rest: Iterator[Block]) -> Iterator[Block]:
        yield from self._first
        if self.problem:
            raise self.problem
        yield from rest


def in_turn(
    files: Sequence[SourceFile],
    *,
    read: Callable[[SourceFile], Iterator[Block]],
    hashed: Callable[[SourceFile], str],
    known: Collection[str],
) -> Iterator[Opened]:
    """Each file in its turn, opened before it while those before are worked on.

    Args:
        files: In their order.
        read: The blocks of one; called in threads, as is what it gives.
        hashed: Its content hash; as `read`.
        known: Content hashes that came; may grow meanwhile.
    """

    def open_one(file: SourceFile) -> Opened:
        opened = Opened(file=file)
        try:
            if file.refused:
                raise DropError(f"{file.name}: {file.refused}")
            opened.content_hash = hashed(file)
            opened.came = opened.content_hash in known
            if not opened.came:
                opened.begin(read(file))
        except (DropError, OSError) as error:
            opened.problem = error
        return opened

    return ahead_of_turn(open_one, files)
