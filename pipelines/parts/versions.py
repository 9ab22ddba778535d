"""What must be alike wherever parts of one analysis are worked on: code with its data files, and libraries, by name."""

import platform
from importlib.metadata import version

from pipelines.digests import package_digest

LIBRARIES = ("numba", "numpy", "polars", "scikit-learn", "scipy", "duckdb", "distributed")


def versions() -> dict[str, str]:
    """Of this process."""
    return {
        "Leeway's code": package_digest()[:12],
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
    }


def differing(here: dict[str, str], there: dict[str, str]) -> str:
    """What differs, in words; empty: nothing."""
    return ", ".join(
        f"{name} {there.get(name, 'none')} ({own} here)" for name, own in here.items() if there.get(name) != own
    )
