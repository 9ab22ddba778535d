"""Kernels are compiled by the process that comes to them first; others run them plain or wait. About a second."""

import gc

import numba
import numpy as np
from numba.core.registry import CPUDispatcher

from pipelines.compile_ahead import Claims, shared


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


def test_what_another_process_claimed_runs_plain_and_gives_the_same(tmp_path):
    first, second = Claims(tmp_path), Claims(tmp_path)
    doubled, summed = kernels()
    assert first.take(f"{summed.py_func.__module__}.{summed.py_func.__qualname__}")
    with shared(second, plain=True):
        assert summed(np.arange(4.0)) == 12.0
        assert not summed.signatures
        assert not doubled.signatures  # part of what the other one compiles
        assert doubled(3.0) == 6.0
        assert doubled.signatures
    assert not first.take(f"{doubled.py_func.__module__}.{doubled.py_func.__qualname__}")


def test_a_plain_run_that_fails_waits_for_the_other_process_and_gives_the_same(tmp_path):
    @numba.njit
    def level_of(state):
        return state[0].level

    name = f"{level_of.py_func.__module__}.{level_of.py_func.__qualname__}"
    other = Claims(tmp_path)
    other.take(name)
    other.done(name)
    with shared(Claims(tmp_path), plain=True):
        assert level_of(np.ones(1, dtype=[("level", "f8")])) == 1.0


def test_whoever_runs_nothing_plain_waits_for_the_other_process_unless_that_one_ended(tmp_path):
    doubled, _ = kernels()
    before = CPUDispatcher._compile_for_args, gc.get_threshold()
    asked: list[str] = []
    assert Claims(tmp_path).take(f"{doubled.py_func.__module__}.{doubled.py_func.__qualname__}")
    with shared(Claims(tmp_path, others_live=lambda: bool(asked.append("alive?"))), plain=False):
        assert doubled(3.0) == 6.0
    assert doubled.signatures
    assert asked == ["alive?"]
    assert (CPUDispatcher._compile_for_args, gc.get_threshold()) == before
