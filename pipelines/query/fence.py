"""The process in which a query runs: `python -P -m pipelines.query.fence`; one question in, one answer out, the end.

What a query can reach is an empty database with copies of published tables. That database lets nothing out, and the
process can neither write a file nor open one, nor take more memory or time than it was given.
"""

import json
import os
import pickle
import resource
import signal
import sys
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import duckdb
import pyarrow as pa

from pipelines.errors import LeewayError, QueryError
from pipelines.query.problems import MEMORY, in_a_line
from pipelines.query.tables import fill, named_in
from pipelines.store.scoped import store_seen_by

LOCKED: dict[str, str | bool | int | float | list[str]] = {
    "threads": 1,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_community_extensions": False,
    "allow_persistent_secrets": False,
    "python_enable_replacements": False,  # else a query reads the variables of this program
    "max_temp_directory_size": "0MB",
    "temp_directory": "",
    "home_directory": "/",  # these three would say whose server it is
    "extension_directory": "/",
    "secret_directory": "/",
}
READS = {duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN, duckdb.StatementType.MULTI}  # MULTI: a PIVOT
PLAIN = {  # types that a spreadsheet and a Parquet file hold as they are; others become text
    "boolean", "tinyint", "smallint", "integer", "bigint", "utinyint", "usmallint", "uinteger", "ubigint", "float",
    "double", "decimal", "varchar", "date", "time", "timestamp", "timestamp_s", "timestamp_ms", "timestamp_ns",
    "timestamp with time zone",
}  # fmt: skip
WIDE = {"hugeint", "uhugeint"}  # sums of counts: numbers, beyond what a column holds exactly
BATCH_ROWS = 5_000
HEADROOM = 512 * 2**20  # bytes of addresses beside what the database may use: its own code, Arrow's copies


@dataclass(frozen=True, kw_only=True)
class Question:
    """What is asked of the process.

    Attributes:
        store: Folder of the store.
        sql: The query.
        as_of: The state to show; None: the newest.
        seconds: After which the process is no more.
        memory_bytes: That the database may use.
        rows: Most of the answer; further ones are left out.
        answer_bytes: Most of the answer, as columns in memory.
        depots: Whose vehicles may be seen; None: all.
    """

    store: str
    sql: str
    as_of: datetime | None
    seconds: float
    memory_bytes: int
    rows: int
    answer_bytes: int
    depots: tuple[str, ...] | None = None


def main() -> None:
    """Answer the question on standard input: a line of JSON, then the rows as an Arrow stream, on standard output."""
    question = Question(**pickle.load(sys.stdin.buffer))  # noqa: S301 (our parent wrote it)
    signal.setitimer(signal.ITIMER_REAL, question.seconds)  # nobody hears SIGALRM: the system ends the process
    with os.fdopen(os.dup(1), "wb") as answers, Path(os.devnull).open("wb") as nowhere:
        os.dup2(nowhere.fileno(), 1)  # so that a library that prints does not spoil an answer
        try:
            _answer(question, answers)
        except (MemoryError, pa.ArrowMemoryError, duckdb.OutOfMemoryException):
            _say(answers, problem=MEMORY)
        except LeewayError as error:
            _say(answers, problem=str(error))
        except duckdb.Error as error:
            _say(answers, problem=in_a_line(error, question.sql))


def _answer(question: Question, answers: BinaryIO) -> None:
    statements = duckdb.extract_statements(question.sql)
    if len(statements) != 1 or statements[0].type not in READS:
        raise QueryError(_not_one_reading(statements))
    database, states = fenced(question)
    rows, cut = _rows(database, question)
    _say(answers, states={name: state and state.isoformat() for name, state in states.items()}, cut=cut)
    with pa.ipc.new_stream(answers, rows.schema) as stream:
        stream.write_table(rows)


def fenced(question: Question) -> tuple[duckdb.DuckDBPyConnection, dict[str, datetime | None]]:
    """A database with the tables that the question names, in a process that is shut from here on; what they show."""
    database = duckdb.connect(":memory:", config=LOCKED | {"memory_limit": f"{question.memory_bytes}B"})
    database.execute("SET TimeZone = 'UTC'; SET enable_progress_bar = false")
    states = fill(database, store_seen_by(question.store, question.depots), named_in(question.sql), question.as_of)
    database.sql("SELECT 1").to_arrow_reader(1).read_all()  # what reading an answer imports, while files can be opened
    database.execute("SET enable_external_access = false; SET lock_configuration = true")
    _shut(question.memory_bytes)
    return database, states


def _not_one_reading(statements: list[duckdb.Statement]) -> str:
    if not statements:
        return "There is no query yet: write one, such as FROM vehicle_state."
    if len(statements) > 1:
        return f"These are {len(statements)} statements: ask one at a time, without a ; between."
    kind = statements[0].type.name.replace("_", " ")
    return f"{kind} is not asked here: queries only read. Begin with SELECT, FROM or WITH."


def _shut(memory_bytes: int) -> None:
    """From here on this process writes no file, opens none, and takes no more memory than it was given."""
    room = _addresses() + memory_bytes + HEADROOM
    for limit, most in (
        (resource.RLIMIT_AS, room),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_NOFILE, 0),  # what is open stays so
        (resource.RLIMIT_CORE, 0),
    ):
        hard = resource.getrlimit(limit)[1]
        lowest = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(limit, (lowest, lowest))


def _addresses() -> int:
    """Bytes of addresses in use; where the system does not tell, as much as is usual here."""
    try:
        pages = int(Path("/proc/self/statm").read_text("ascii").split()[0])
    except OSError:
        return 3 * 2**30
    return pages * os.sysconf("SC_PAGE_SIZE")


def _rows(database: duckdb.DuckDBPyConnection, question: Question) -> tuple[pa.Table, bool]:
    """The rows, as far as the limits go, with plain columns of different names; whether there are more."""
    answer = database.sql(question.sql)
    kinds = [str(kind).split("(")[0].casefold() for kind in answer.types]
    names = answer.columns
    if not set(kinds) <= PLAIN:
        answer = answer.project(
            ", ".join(f"#{place}{_as_plain(kind)} AS c{place}" for place, kind in enumerate(kinds, start=1))
        )
    reader = answer.to_arrow_reader(BATCH_ROWS)
    batches, rows, size, cut = list[pa.RecordBatch](), 0, 0, False
    for batch in reader:
        kept = _within(batch.slice(0, question.rows - rows), question.answer_bytes - size)
        batches.append(kept)
        rows, size, cut = rows + kept.num_rows, size + kept.nbytes, kept.num_rows < batch.num_rows
        if cut:
            break
    return pa.Table.from_batches(batches, reader.schema).rename_columns(_different(names)), cut


def _within(batch: pa.RecordBatch, most_bytes: int) -> pa.RecordBatch:
    """The first rows of a batch, as many as fit."""
    while batch.num_rows and batch.nbytes > most_bytes:
        batch = batch.slice(0, batch.num_rows // 2)
    return batch


def _as_plain(kind: str) -> str:
    return "" if kind in PLAIN else "::DOUBLE" if kind in WIDE else "::VARCHAR"


def _different(names: list[str]) -> list[str]:
    """The names, those that came before with a number."""
    given: list[str] = []
    for name in names:
        new, number = name, 2
        while new.casefold() in {each.casefold() for each in given}:
            new, number = f"{name}_{number}", number + 1
        given.append(new)
    return given


def _say(answers: BinaryIO, **said: object) -> None:
    answers.write(json.dumps(said).encode() + b"\n")


def asked(question: Question) -> bytes:
    """The question as the process reads it."""
    return pickle.dumps(asdict(question))


if __name__ == "__main__":
    main()
