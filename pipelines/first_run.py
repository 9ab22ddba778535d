"""Says, while it lasts, that this machine compiles the kernels for the first time: a minute without other news."""

import os
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

from pipelines.compile_ahead import start

EVERY_SECONDS = 5.0
DECORATOR = b"@numba.njit(cache=True"
Say = Callable[[str], None]


@contextmanager
def compiling_told(say: Say, *packages: str, ahead: bool = False) -> Iterator[Callable[[], None]]:
    """While the block runs on a machine that has compiled nothing of a package yet: how far compiling has come.

    Args:
        say: Called with a line when it begins, and every few seconds with how many kernels are done.
        packages: Whose kernels the block needs.
        ahead: The block needs those of an analysis: they are compiled on both cores meanwhile.

    Yields:
        What waits until those are compiled.
    """
    folders = [folder for package in packages if (folder := _folder(package)) is not None]
    if not folders or os.environ.get("NUMBA_CACHE_DIR") or any(_compiled(folder) for folder in folders):
        yield lambda: None
        return
    total = sum(file.read_bytes().count(DECORATOR) for folder in folders for file in folder.rglob("*.py"))
    say(f"First run on this machine: up to {total} kernels are compiled once, for a minute or so; later runs spare it.")
    done = threading.Event()
    teller = threading.Thread(target=_tell, args=(say, folders, total, done), daemon=True)
    teller.start()
    with tempfile.TemporaryDirectory(prefix="leeway-claims-") as claims:
        helpers = start(Path(claims)) if ahead and (os.cpu_count() or 1) > 1 else []
        try:
            yield lambda: _wait(helpers)
        finally:
            for helper in helpers:
                helper.terminate()
            _wait(helpers)
            done.set()
            teller.join()


def _wait(helpers: list[subprocess.Popen[bytes]]) -> None:
    for helper in helpers:
        helper.wait()


def _tell(say: Say, folders: list[Path], total: int, done: threading.Event) -> None:
    told = 0
    while not done.wait(EVERY_SECONDS):
        ready = sum(_compiled(folder) for folder in folders)
        if ready != told:
            say(f"  compiled {min(ready, total)} of at most {total}")
            told = ready


def _folder(package: str) -> Path | None:
    found = find_spec(package)
    return Path(found.origin).parent if found and found.origin else None


def _compiled(folder: Path) -> int:
    """How many kernels of a package are compiled; each has an index file in the cache beside its module."""
    return sum(1 for _ in folder.rglob("__pycache__/*.nbi"))
