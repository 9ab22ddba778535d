"""Every number that the computing rests on says where it comes from, beside it."""

import ast
import re
from pathlib import Path

import pytest

PIPELINES = Path(__file__).parent.parent / "pipelines"
STAGES = ("history", "standstill", "bands", "drift", "resume", "forecast")
# Judgement; derived from others; measured (by a script that is named); what a thing is, by definition; a grid or a
# precision that changes no figure; room or time; or an author and a year.
ORIGIN = re.compile(
    r"(?i:judgement|derived|measured|definition|numerical|for speed|benchmarks/)|[A-Z][a-z]+,? \(?(?:19|20)\d\d"
)


def without_origin(source: str) -> list[str]:
    """One line per module-level number that has no origin in the comment beside or right above it."""
    lines = source.splitlines()
    missing = []
    for node in ast.parse(source).body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None or not _is_number(node.value):
            continue
        first = node.lineno - 1
        while first and lines[first - 1].startswith("#"):
            first -= 1
        comments = " ".join(line.partition("#")[2] for line in lines[first : node.end_lineno] if "#" in line)
        if not ORIGIN.search(comments):
            missing.append(f"{node.lineno}: {lines[node.lineno - 1]}")
    return missing


def _is_number(value: ast.expr) -> bool:
    """Whether an expression holds a number, and is no table of words."""
    kinds = {type(node.value) for node in ast.walk(value) if isinstance(node, ast.Constant)}
    return bool(kinds & {int, float}) and str not in kinds


def test_a_number_without_an_origin_is_named_with_its_line():
    source = "A = 1.0  # judgement\nB = 2.0  # of a week\n# A grid; numerical.\nC = (1, 2)\nD = len(NAMES)\n"
    assert without_origin(source) == ["2: B = 2.0  # of a week"]


@pytest.mark.parametrize("stage", STAGES)
def test_every_number_says_where_it_comes_from(stage):
    modules = sorted((PIPELINES / stage).glob("*.py"))
    assert modules
    missing = [f"{path.name}:{line}" for path in modules for line in without_origin(path.read_text("utf-8"))]
    assert not missing, "\n".join(missing)
