"""An analysis that a page asks for, run as a terminal runs it: in a process of its own; the server stays small."""

from pathlib import Path

from dashboard.child import begin
from pipelines.errors import StoreError


def analysed(store: Path) -> list[str]:
    """What an analysis of the store found, a line each.

    Raises:
        StoreError: none could be made.
    """
    with begin(["analyse", "--store", str(store)]) as child:
        told, troubles = child.communicate()
    if child.returncode:
        said = troubles.strip().splitlines() or [f"it ended with code {child.returncode}"]
        raise StoreError(f"The analysis was not made: {said[-1]}")
    return [line for line in told.splitlines() if not line.startswith("Look:")]
