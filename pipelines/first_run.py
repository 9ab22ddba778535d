"""Says, while it lasts, that this machine compiles the kernels for the first time: a minute without other news."""

import os
import re
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from importlib.util import find_spec
from pathlib import Path

from pipelines.compile_ahead import Claims, shared, start

EVERY_SECONDS = 5.0
DECORATOR = re.compile(rb"^@(?:numba\.)?njit\(cache=True", re.MULTILINE)
COMPILED = 0.5  # share of the kernels from which a run is no longer a first one: loading compiles some; judgement
Say = Callable[[str], None]


@contextmanager
def compiling_told(say: Say, *packages: str, ahead: bool = False) -> Iterator[None]:
    """While the block runs on a machine that has compiled little of some packages yet: how far compiling has come.

    Args:
        say: Called with a line when it begins, and every few seconds with how many kernels are done.
        packages: Whose kernels the block needs.
        ahead: The block needs those of an analysis: helpers compile them on the other core, ahead of it.
    """
    folders = [folder for package in packages if (folder := _folder(package)) is not None]
    total = sum(len(DECORATOR.findall(file.read_bytes())) for folder in folders for file in folder.rglob("*.py"))
    if os.environ.get("NUMBA_CACHE_DIR") or sum(_compiled(folder) for folder in folders) >= COMPILED * total:
        yield
        return
    say(f"First run on this machine: up to {total} kernels are compiled once, for a minute or so; later runs spare it.")
    done = threading.Event()
    teller = threading.Thread(target=_tell, args=(say, folders, total, done), daemon=True)
    teller.start()
    try:
        with _helped() if ahead and (os.cpu_count() or 1) > 1 else nullcontext():
            yield
    finally:
        done.set()
        teller.join()


@contextmanager
def _helped() -> Iterator[None]:
    with tempfile.TemporaryDirectory(prefix="leeway-claims-") as folder:
        helpers = start(Path(folder))
        claims = Claims(Path(folder), others_live=lambda: any(helper.poll() is None for helper in helpers))
        try:
            with shared(claims, plain=False):
                yield
        finally:
            for helper in helpers:
                helper.terminate()
            for helper in helpers:
                helper.wait()


def _tell(say: Say, folders: list[Path], total: int, done: threading.Event) -> None:
    told = 0
    while not done.wait(EVERY_SECONDS):
        ready = sum(_compiled(folder) for folder in folders)
        if ready != told:
            say(f"  compiled {ready} of at most {total}")
            told = ready


def _folder(package: str) -> Path | None:
    found = find_spec(package)
    return Path(found.origin).parent if found and found.origin else None


def _compiled(folder: Path) -> int:
    """How many kernels of a package are compiled; each has an index file in the cache beside its module."""
    return sum(1 for _ in folder.rglob("__pycache__/*.nbi"))
