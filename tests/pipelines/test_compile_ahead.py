"""Kernels are compiled by the process that comes to them first, and run plain by the other. About a second."""

import numba
import numpy as np
from numba.core.registry import CPUDispatcher

from pipelines.compile_ahead import Claims, sharing


def kernels():
    @numba.njit
    def doubled(x):
        return 2 * x

    @numba.njit
    def summed(values):
        total = 0.0
        for value in values:
            total += doubled(value)
        return total

    return doubled, summed


def test_what_another_process_claimed_runs_plain_and_gives_the_same(tmp_path, monkeypatch):
    first, second = Claims(tmp_path), Claims(tmp_path)
    doubled, summed = kernels()
    assert first.take(f"{summed.py_func.__module__}.{summed.py_func.__qualname__}")
    monkeypatch.setattr(
        CPUDispatcher, "_compile_for_args", sharing(CPUDispatcher._compile_for_args, second)
    )  # fmt: skip
    assert summed(np.arange(4.0)) == 12.0
    assert not summed.signatures
    assert not doubled.signatures  # part of what the other one compiles
    assert doubled(3.0) == 6.0
    assert doubled.signatures
    assert not first.take(f"{doubled.py_func.__module__}.{doubled.py_func.__qualname__}")


def test_a_plain_run_that_fails_waits_for_the_other_process_and_gives_the_same(tmp_path, monkeypatch):
    @numba.njit
    def level_of(state):
        return state[0].level

    name = f"{level_of.py_func.__module__}.{level_of.py_func.__qualname__}"
    other = Claims(tmp_path)
    other.take(name)
    other.done(name)
    monkeypatch.setattr(
        CPUDispatcher, "_compile_for_args", sharing(CPUDispatcher._compile_for_args, Claims(tmp_path))
    )  # fmt: skip
    assert level_of(np.ones(1, dtype=[("level", "f8")])) == 1.0
