"""An analysis that a page asks for, run as a terminal runs it: in a process of its own; the server stays small."""

import os
import subprocess
import sys
from pathlib import Path

from pipelines.errors import StoreError

FRONT_DOOR = "from dashboard.command import main; main()"


def analysed(store: Path) -> list[str]:
    """What an analysis of the store found, a line each.

    Raises:
        StoreError: none could be made.
    """
    done = subprocess.run(  # noqa: S603 (our own module)
        [sys.executable, "-P", "-c", FRONT_DOOR, "analyse", "--store", str(store)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
    )  # fmt: skip
    if done.returncode:
        said = done.stderr.strip().splitlines() or [f"it ended with code {done.returncode}"]
        raise StoreError(f"The analysis was not made: {said[-1]}")
    return [line for line in done.stdout.splitlines() if not line.startswith("Look:")]
