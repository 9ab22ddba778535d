"""Reads a file in a process of its own, whose memory is bounded and goes back to the system when it ends.

For readers that a hostile file can make ask for any amount of memory, or abort; and for a server, which stays small.
"""

import os
import pickle
import resource
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from threading import Lock
from types import TracebackType
from typing import Any, ParamSpec, TypeVar

from pipelines.errors import DropError, LeewayError
from pipelines.intake.limits import Limits, beyond

Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")


class Apart:
    """A process that does one piece of work after another; started when it is asked for some, and again if it died."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._process: subprocess.Popen[bytes] | None = None
        self._turn = Lock()  # one piece of work at a time, whichever thread asks

    def __enter__(self) -> "Apart":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()

    def run(self, file: str, work: Callable[Asked, Answer], *arguments: Asked.args, **named: Asked.kwargs) -> Answer:
        """What `work` gives there.

        Args:
            file: Name of the file that it reads, for messages.
            work: A function of a module, whose arguments and result can be pickled.
            arguments: Its arguments.
            named: Its keyword arguments.

        Raises:
            DropError: the process died, or needed more memory than it may.
            LeewayError: what `work` raised.
        """
        with self._turn:
            good, answer = self._asked(file, (work, arguments, named))
        if good:
            found: Answer = answer
            return found
        if answer is None:
            raise DropError(beyond(file, "reader_bytes", None, self.limits.reader_bytes))
        raise answer

    def _asked(self, file: str, question: object) -> tuple[bool, Any]:
        process = self._started()
        try:
            assert process.stdin  # noqa: S101 (asked for below)
            assert process.stdout  # noqa: S101
            pickle.dump(question, process.stdin)
            process.stdin.flush()
            answer: tuple[bool, Any] = pickle.load(process.stdout)  # noqa: S301 (our own process wrote it)
        except (EOFError, OSError, pickle.UnpicklingError) as error:
            raise self._died(file) from error
        return answer

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is None:
            self._process = subprocess.Popen(  # noqa: S603 (our own module)
                [sys.executable, "-P", "-m", "pipelines.intake.apart", str(self.limits.reader_bytes)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
            )
        return self._process

    def _died(self, file: str) -> DropError:
        code = self._end()
        if code == -signal.SIGABRT:  # how a reader ends that is given no more memory
            return DropError(beyond(file, "reader_bytes", None, self.limits.reader_bytes))
        return DropError(f"{file}: its reader broke off (exit code {code}). Is it what its ending says, and whole?")

    def _end(self) -> int | None:
        """Let the process go; its exit code, None: there was none."""
        process, self._process = self._process, None
        if process is None:
            return None
        for stream in (process.stdin, process.stdout):
            if stream:
                with suppress(OSError):
                    stream.close()
        try:
            return process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            process.kill()
            return process.wait()


def serve(memory_bytes: int) -> None:
    """Do what is asked on standard input until it ends; answers go to standard output, pickled."""
    most = resource.getrlimit(resource.RLIMIT_AS)[1]
    memory_bytes = memory_bytes if most == resource.RLIM_INFINITY else min(memory_bytes, most)
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with os.fdopen(os.dup(1), "wb") as answers, open(os.devnull, "wb") as nowhere:  # noqa: PTH123 (of a descriptor)
        os.dup2(nowhere.fileno(), 1)  # so that a library that prints does not spoil an answer
        while True:
            try:
                work, arguments, named = pickle.load(sys.stdin.buffer)  # noqa: S301 (our parent wrote it)
            except EOFError:
                return
            pickle.dump(_answer(work, arguments, named), answers)
            answers.flush()


def _answer(
    work: Callable[..., object], arguments: tuple[object, ...], named: dict[str, object]
) -> tuple[bool, object]:
    try:
        return True, work(*arguments, **named)
    except MemoryError:
        return False, None
    except LeewayError as error:
        return False, error


if __name__ == "__main__":
    serve(int(sys.argv[1]))
