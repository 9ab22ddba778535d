"""One command runs them all: ruff's rules, its layout, and mypy's types hold for the whole tree."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize(
    "command", [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]], ids=" ".join
)
def test_the_tree_is_clean(command):
    run = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout + run.stderr


def test_no_file_of_code_is_longer_than_400_lines():
    long = {
        path.relative_to(ROOT).as_posix(): lines
        for folder in ("dashboard", "pipelines", "synthetic_fleet", "tests")
        for path in (ROOT / folder).rglob("*.py")
        if (lines := len(path.read_text("utf-8").splitlines())) > 400
    }
    assert not long
