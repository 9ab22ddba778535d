"""Compiling is told while it lasts on a machine that has compiled nothing, and never again. Under a second."""

import sys
import time

import pytest

from pipelines import first_run


@pytest.fixture
def package(tmp_path, monkeypatch):
    folder = tmp_path / "kernels_of_a_test"
    (folder / "__pycache__").mkdir(parents=True)
    (folder / "__init__.py").write_text("")
    (folder / "one.py").write_text("@numba.njit(cache=True, nogil=True)\n" * 3)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setattr(first_run, "EVERY_SECONDS", 0.02)
    sys.modules.pop("kernels_of_a_test", None)
    return folder


def test_how_far_compiling_has_come_is_told_on_the_first_run_alone(package):
    told: list[str] = []
    with first_run.compiling_told(told.append, "kernels_of_a_test"):
        (package / "__pycache__" / "one.kernel.nbi").write_text("")
        until = time.monotonic() + 5
        while len(told) < 2 and time.monotonic() < until:
            time.sleep(0.01)
    assert told[0].startswith("First run on this machine: up to 3 kernels")
    assert told[1] == "  compiled 1 of at most 3"
    (package / "__pycache__" / "one.another.nbi").write_text("")
    again: list[str] = []
    with first_run.compiling_told(again.append, "kernels_of_a_test", "no_such_package"):
        pass
    assert again == []
