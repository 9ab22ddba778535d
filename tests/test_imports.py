"""Arrows between the packages: dashboard -> pipelines, synthetic_fleet alone, pages thin, computing without files."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# Folder or file -> modules it may not import; a longer entry adds to a shorter one.
FORBIDDEN = {
    "pipelines": ["dashboard", "synthetic_fleet", "streamlit", "altair"],
    "synthetic_fleet": ["dashboard", "streamlit", "altair", "duckdb", "pipelines"],
    "dashboard": ["synthetic_fleet"],
    "dashboard/views": ["streamlit", "altair", "duckdb", "pipelines.store"],
    "dashboard/charts": ["streamlit", "duckdb", "pipelines.store"],
    "dashboard/screens": ["duckdb", "pipelines.store", "altair"],
    "pipelines/catalogue": ["duckdb", "sklearn"],
    "pipelines/entries": ["duckdb", "sqlite3", "pipelines.store"],
    "pipelines/held": ["duckdb", "pipelines.store", "pipelines.intake"],
    "pipelines/history": ["duckdb", "pipelines.store", "pipelines.intake"],
    "pipelines/standstill": ["duckdb", "pipelines.store", "pipelines.intake", "pipelines.history", "pipelines.drift"],
    "pipelines/bands": ["duckdb", "pipelines.store", "pipelines.intake"],
    "pipelines/drift": ["duckdb", "pipelines.store", "pipelines.intake"],
    "pipelines/resume": ["duckdb", "pipelines.store", "pipelines.intake"],
    "pipelines/outliers": ["duckdb", "pipelines.store", "pipelines.intake"],
    "pipelines/causes": ["duckdb", "pipelines.store", "pipelines.intake"],
    "pipelines/forecast": ["duckdb", "pipelines.store", "pipelines.intake"],
    "pipelines/recurring": ["duckdb", "pipelines.store", "pipelines.intake"],
    "pipelines/workplan": ["duckdb", "pipelines.store", "pipelines.intake"],
}
# The demo joins all three packages.
ALLOWED = {("dashboard/demo.py", "synthetic_fleet")}


def imported(source: str) -> list[tuple[int, str]]:
    """Line and dotted name of every import in a module, inside functions too."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            found += [(node.lineno, f"{node.module}.{alias.name}") for alias in node.names]
    return found


def breaches(name: str, source: str) -> list[str]:
    """One line per forbidden import of the module `name` (a path below the root)."""
    forbidden = [module for place, modules in FORBIDDEN.items() if name.startswith(f"{place}/") for module in modules]
    return [
        f"{name}:{line} imports {module}"
        for line, imported_name in imported(source)
        for module in forbidden
        if f"{imported_name}.".startswith(f"{module}.") and (name, module) not in ALLOWED
    ]


def test_a_forbidden_import_is_named_with_its_line():
    assert breaches("pipelines/errors.py", "import os\nimport streamlit as st\n") == [
        "pipelines/errors.py:2 imports streamlit"
    ]
    assert breaches("dashboard/screens/today.py", "from pipelines import store\n") == [
        "dashboard/screens/today.py:1 imports pipelines.store"
    ]


@pytest.mark.parametrize("package", ["pipelines", "synthetic_fleet", "dashboard"])
def test_no_module_imports_what_its_place_forbids(package):
    modules = sorted((ROOT / package).rglob("*.py"))
    assert modules
    found = [line for path in modules for line in breaches(path.relative_to(ROOT).as_posix(), path.read_text("utf-8"))]
    assert not found, "\n".join(found)


def test_nothing_but_tests_and_the_front_door_imports_the_simulator():
    users = {
        path.relative_to(ROOT).as_posix()
        for package in ("pipelines", "dashboard")
        for path in (ROOT / package).rglob("*.py")
        if any(name.startswith("synthetic_fleet") for _, name in imported(path.read_text("utf-8")))
    }
    assert users <= {place for place, _ in ALLOWED}
