"""Compiles the kernels of an analysis in several processes, on a machine's first run: `python -m` with a folder.

Each helper analyses the example files; a kernel is compiled by the process that comes to it first, and run as plain
Python by another helper, which thus goes on to the next. Whoever started them takes part: what a helper is compiling is
waited for, what nobody has come to is compiled. What is compiled lies in the cache for everybody, and nothing rests on
the helpers' coming to an end.
"""

import gc
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

DONE = ".done"
WAIT_S, LONGEST_WAIT_S = 0.05, 60.0
HELPERS = 2  # more would wait for each other: a few kernels are a third of the work (measured by CPU time)
# Objects between two searches for garbage while compiling, which makes many and drops few: by Python's own threshold
# a fifth of its time goes into searching (38.8 for 30.1 s, measured).
SEARCHED_EVERY = 200_000


def start(folder: Path) -> list[subprocess.Popen[bytes]]:
    """Start compiling; the helpers, which end by themselves.

    Args:
        folder: An empty one, in which processes say what each of them compiles; must outlast them.
    """
    command = [sys.executable, "-P", "-W", "ignore", "-m", "pipelines.compile_ahead", str(folder)]
    one_thread = dict.fromkeys(("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    nothing = subprocess.DEVNULL
    return [
        subprocess.Popen(command, env=os.environ | one_thread, stdin=nothing, stdout=nothing, stderr=nothing)  # noqa: S603
        for _ in range(HELPERS)
    ]


class Claims:
    """Which kernels this process compiles: those that it comes to before any other process of the same folder."""

    def __init__(self, folder: Path, *, others_live: Callable[[], bool] = lambda: True) -> None:
        self.folder = folder
        self.others_live = others_live
        self.mine: set[str] = set()

    def take(self, name: str) -> bool:
        """Whether a kernel is this process's to compile."""
        if name not in self.mine:
            try:
                (self.folder / name).touch(exist_ok=False)
            except FileExistsError:
                return False
            self.mine.add(name)
        return True

    def done(self, name: str) -> None:
        """Say that it is compiled, and lies in the cache."""
        (self.folder / f"{name}{DONE}").touch()

    def wait_for(self, name: str) -> None:
        """Wait until the process that compiles a kernel has done so; not for one that ended before."""
        until = time.monotonic() + LONGEST_WAIT_S
        while not (self.folder / f"{name}{DONE}").exists() and time.monotonic() < until and self.others_live():
            time.sleep(WAIT_S)


@contextmanager
def shared(claims: Claims, *, plain: bool) -> Iterator[None]:
    """While the block runs, kernels are compiled as `sharing` has it, without what nothing here uses.

    A wrapper by which compiled C would call a kernel is left out (a twelfth of the compiling), and garbage is searched
    for more seldom.
    """
    from numba.core.cpu import CPUContext  # noqa: PLC0415 (half a second, which `start` and whoever waits spare)
    from numba.core.registry import CPUDispatcher  # noqa: PLC0415

    compile_for, for_c, searched = CPUDispatcher._compile_for_args, CPUContext.create_cfunc_wrapper, gc.get_threshold()  # type: ignore[attr-defined]
    CPUDispatcher._compile_for_args = sharing(compile_for, claims, plain=plain)  # type: ignore[attr-defined]
    CPUContext.create_cfunc_wrapper = lambda *_, **__: None  # type: ignore[method-assign]
    gc.set_threshold(SEARCHED_EVERY, *searched[1:])
    try:
        yield
    finally:
        gc.set_threshold(*searched)
        CPUContext.create_cfunc_wrapper = for_c  # type: ignore[method-assign]
        CPUDispatcher._compile_for_args = compile_for  # type: ignore[attr-defined]


def sharing(compile_for: Callable[..., Any], claims: Claims, *, plain: bool) -> Callable[..., Any]:
    """What a dispatcher of numba calls where it has no compiled kernel: compiles what is claimed here, or does without.

    A plain run of a kernel that takes records fails, since plain records have no attributes: then the other process is
    waited for, whose kernel comes out of the cache.

    Args:
        compile_for: `_compile_for_args` of the dispatcher's class: compiles, and gives what is to be called.
        claims: Of this process.
        plain: What others compile is run as plain Python (on small data); else it is waited for.
    """
    inside = [False]  # in a plain run nothing is compiled: it is part of a kernel that another process compiles

    def compile_or_not(dispatcher: Any, *args: Any, **words: Any) -> Any:
        kernel = dispatcher.py_func
        name = f"{kernel.__module__}.{kernel.__qualname__}"
        if not inside[0] and claims.take(name):
            compiled = compile_for(dispatcher, *args, **words)
            claims.done(name)
            return compiled
        if not plain:
            claims.wait_for(name)
            return compile_for(dispatcher, *args, **words)

        def run(*args: Any, **words: Any) -> Any:
            outermost = not inside[0]
            inside[0] = True
            try:
                return kernel(*args, **words)
            except (AttributeError, TypeError, ValueError, ArithmeticError, LookupError):
                if not outermost:
                    raise
            finally:
                inside[0] = not outermost
            claims.wait_for(name)
            return compile_for(dispatcher, *args, **words)(*args, **words)

        return run

    return compile_or_not


def _analyse_examples() -> None:
    from pipelines.analyse import analyse  # noqa: PLC0415 (nothing of it is needed where the processes are started)
    from pipelines.examples import write_examples  # noqa: PLC0415
    from pipelines.intake.load import load  # noqa: PLC0415
    from pipelines.settings import Settings  # noqa: PLC0415
    from pipelines.store.evidence import read_evidence  # noqa: PLC0415
    from pipelines.store.folder import Store  # noqa: PLC0415

    with tempfile.TemporaryDirectory(prefix="leeway-compile-") as folder:
        write_examples(Path(folder))
        store = Store(Path(folder) / "store")
        load(store, [Path(folder) / "drop"])
        analyse(read_evidence(store), settings=Settings())


def main() -> None:
    """Analyse the example files, compiling what no other process of the folder does."""
    with shared(Claims(Path(sys.argv[1])), plain=True):
        _analyse_examples()


if __name__ == "__main__":
    main()
