"""Pin every version: `constraints.txt` for pip, `requirements.lock` with hashes for the container.

Run by hand when a dependency is to move, with the Python and on the kind of machine that the container has:
    python .deploy/lock.py
Asks the package index, and installs nothing.
"""

import json
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
HEAD = "# Made by .deploy/lock.py; do not edit.\n"


def resolved(*what: str) -> list[tuple[str, str, str]]:
    """Name, version and SHA-256 of everything that would be installed, by name; this project itself left out."""
    command = [sys.executable, "-m", "pip", "install", "--dry-run", "--ignore-installed", "--quiet", "--report", "-"]
    report = json.loads(subprocess.run([*command, *what], check=True, capture_output=True, text=True).stdout)  # noqa: S603 - pip, of words of ours
    return sorted(
        (each["metadata"]["name"].lower(), each["metadata"]["version"],
         each["download_info"]["archive_info"]["hashes"]["sha256"])
        for each in report["install"] if "archive_info" in each["download_info"]
    )  # fmt: skip


def main() -> None:
    """Write both files."""
    project = str(HERE.parent)
    everything = resolved(f"{project}[test]")
    constraints = "".join(f"{name}=={version}\n" for name, version, _ in everything)
    (HERE / "constraints.txt").write_text(HEAD + constraints, encoding="utf-8")
    # With the extra: a container may be given partitioned tables to load and analyse, or be a worker of a cluster.
    runtime = resolved(f"{project}[cluster]", "-c", str(HERE / "constraints.txt"))
    build = resolved("hatchling", "-c", str(HERE / "constraints.txt"))
    lines = [f"{name}=={version} --hash=sha256:{digest}\n" for name, version, digest in sorted({*runtime, *build})]
    (HERE / "requirements.lock").write_text(HEAD + "".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
