"""A command of ours in a process of its own: its memory goes back, and one that dies takes no other with it."""

import os
import subprocess
import sys
from collections.abc import Sequence

COMMAND = (sys.executable, "-P", "-c", "from dashboard.command import main; main()")


def begin(arguments: Sequence[str], *, hears: bool = True) -> subprocess.Popen[str]:
    """Start `leeway` with these arguments, with this process's own packages.

    Args:
        arguments: Paths and words of ours.
        hears: Whether what it says is read here, the one after the other; otherwise it says it where this process does.
    """
    own = {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    pipe = subprocess.PIPE if hears else None
    return subprocess.Popen(  # noqa: S603 - our own command
        [*COMMAND, *arguments], stdin=subprocess.DEVNULL, stdout=pipe, stderr=pipe, env=own, text=True, errors="replace"
    )
