"""Asks a store's published tables by SQL, in a process of its own that ends when its time is up."""

import io
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

import polars as pl
import pyarrow as pa

from pipelines.errors import QueryError, SettingError
from pipelines.query.fence import Question, asked
from pipelines.query.problems import MEMORY
from pipelines.store.folder import Store


class BusyError(QueryError):
    """As many queries are running as may."""


AT_ONCE = 2  # queries that run at the same time in a server; judgement: a core each, and their memory fits beside pages
LONGEST = 10_000  # characters of a query; an address that carries one still opens in every browser


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What one query may take. All are judgement: far beyond what a question about a fleet needs.

    Raises:
        SettingError: a limit is not above zero.
    """

    seconds: float = 20.0  # from the start of its process to its last row
    memory_bytes: int = 2**30  # of the database, whatever it copies of the tables included
    rows: int = 100_000  # of the answer
    answer_bytes: int = 32 * 2**20  # of the answer

    def __post_init__(self) -> None:
        for each in fields(self):
            if getattr(self, each.name) <= 0:
                raise SettingError(f"{each.name}: {getattr(self, each.name)} is not above zero. Raise it.")


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What a query gave.

    Attributes:
        rows: With plain columns: numbers, text, yes and no, dates, times.
        cut: Whether there are more rows than the limits let through.
        states: The state that each published table shows (UTC); None: it was never published by then.
    """

    rows: pl.DataFrame
    cut: bool
    states: Mapping[str, datetime | None]


_places = threading.BoundedSemaphore(AT_ONCE)
USUAL = Limits()


def ask(store: Store, sql: str, *, as_of: datetime | None = None, limits: Limits = USUAL) -> Answer:
    """The rows that a query of the published tables gives.

    Args:
        store: Whose tables.
        sql: One SELECT of the tables that `described` names; `all_states.TABLE` has the rows of all kept states.
        as_of: The state to show; None: the newest.
        limits: Of time, memory and rows.

    Raises:
        QueryError: what is wrong with it, in one line.
        StoreError: there is no store, or it is damaged.
    """
    if len(sql) > LONGEST:
        raise QueryError(f"The query has {len(sql):,} characters; at most {LONGEST:,} are read. Shorten it.")
    place = str(store.path.absolute())
    question = Question(store=place, depots=store.depots, sql=sql, as_of=as_of, **vars(limits))
    with _place(limits.seconds):
        heading, rows = _run(question)
    if problem := heading.get("problem"):
        raise QueryError(problem)
    table = pa.ipc.open_stream(io.BytesIO(rows)).read_all()
    return Answer(
        rows=_frame(table),
        cut=heading["cut"],
        states={name: state and datetime.fromisoformat(state) for name, state in heading["states"].items()},
    )


@contextmanager
def _place(seconds: float) -> Iterator[None]:
    if not _places.acquire(timeout=seconds):
        raise BusyError(f"{AT_ONCE} other queries are running. Ask again in a moment.")
    try:
        yield
    finally:
        _places.release()


def _run(question: Question) -> tuple[dict[str, Any], bytes]:
    """The first line of the process's answer, and the rest."""
    late = f"It took longer than {question.seconds:g} s and was ended. Ask for fewer rows, or sum before you join."
    with subprocess.Popen(
        [sys.executable, "-P", "-m", "pipelines.query.fence"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=os.environ
        | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path), "MALLOC_ARENA_MAX": "2"}
        | dict.fromkeys(("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1"),
    ) as process:
        try:
            answer, _ = process.communicate(asked(question), timeout=question.seconds + 1)
        except subprocess.TimeoutExpired as error:
            raise QueryError(late) from error
        finally:
            process.kill()
    heading, _, rows = answer.partition(b"\n")
    if process.returncode == 0 and heading:
        return json.loads(heading), rows
    raise QueryError(late if process.returncode in (-signal.SIGALRM, -signal.SIGXCPU) else MEMORY)


def _frame(table: pa.Table) -> pl.DataFrame:
    frame = pl.DataFrame(pl.from_arrow(table))
    return frame.with_columns(pl.col(pl.Null).cast(pl.String), pl.col(pl.Categorical, pl.Enum).cast(pl.String))
