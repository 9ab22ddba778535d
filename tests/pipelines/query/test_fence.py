"""What a query may try against the process it runs in: every break-out in one such process, none of which succeeds."""

import json
import os
import socket
import subprocess
import sys
import threading

import pytest

HIDDEN = "nobody may read this"
# What a query may begin with is checked apart: here everything goes past that check, straight to the database.
BROKEN_OUT = """
SELECT * FROM read_csv('{secret}')
SELECT * FROM read_csv_auto('{secret}', header = false)
SELECT * FROM read_text('{secret}')
SELECT * FROM read_blob('{secret}')
SELECT * FROM read_json('{secret}')
SELECT * FROM read_ndjson_objects('{secret}')
SELECT * FROM read_parquet('{secret}')
SELECT * FROM parquet_metadata('{secret}')
SELECT * FROM sniff_csv('{secret}')
SELECT * FROM '{secret}'
SELECT * FROM '{secret}.csv'
SELECT * FROM "{secret}"
SELECT * FROM read_text('/proc/self/environ')
SELECT * FROM read_text('/dev/stdin')
SELECT * FROM glob('{folder}/*')
SELECT * FROM glob('/etc/*')
SELECT * FROM query('FROM read_text(''{secret}'')')
SELECT * FROM query_table('{secret}')
SELECT * FROM json_execute_serialized_sql(json_serialize_sql('FROM read_text(''{secret}'')'))
EXPLAIN ANALYZE SELECT * FROM read_text('{secret}')
SELECT * FROM (DESCRIBE SELECT * FROM '{secret}')
SUMMARIZE '{secret}'
COPY vehicle_state TO '{folder}/out.csv'
COPY vehicle_state TO '{folder}/out.parquet' (FORMAT parquet)
COPY (SELECT 1) TO '/dev/stdout'
COPY vehicle_state FROM '{secret}'
WITH a AS (COPY vehicle_state TO '{folder}/out.csv') SELECT 1
WITH a AS MATERIALIZED (COPY (SELECT 1) TO '{folder}/out.csv') SELECT * FROM a
EXPORT DATABASE '{folder}/out'
IMPORT DATABASE '{folder}'
ATTACH '{store}' AS everything (READ_ONLY)
ATTACH '{folder}/new.duckdb'
ATTACH 'http://127.0.0.1:{port}/x.duckdb'
INSTALL httpfs
INSTALL httpfs FROM 'http://127.0.0.1:{port}'
LOAD httpfs
LOAD '{secret}'
FORCE INSTALL spatial FROM community
SELECT * FROM read_csv('http://127.0.0.1:{port}/x.csv')
SELECT * FROM 'https://127.0.0.1:{port}/x.parquet'
SELECT * FROM read_parquet('s3://127.0.0.1:{port}/x.parquet')
CREATE PERSISTENT SECRET s (TYPE s3, KEY_ID 'a', SECRET 'b')
SET enable_external_access = true
SET GLOBAL enable_external_access = true
SET lock_configuration = false
RESET lock_configuration
RESET enable_external_access
SET allow_unsigned_extensions = true
SET allowed_directories = ['/']
SET allowed_paths = ['{secret}']
SET memory_limit = '100GB'
SET threads = 64
SET temp_directory = '{folder}/temp'
SET max_temp_directory_size = '10GB'
SET autoload_known_extensions = true
SET python_enable_replacements = true
SET profiling_output = '{folder}/profile.json'
SET log_query_path = '{folder}/log.txt'
SET home_directory = '{folder}'
SET extension_directory = '{folder}'
SET custom_extension_repository = 'http://127.0.0.1:{port}'
PRAGMA memory_limit = '100GB'
PRAGMA enable_profiling = 'json'
PRAGMA profiling_output = '{folder}/profile.json'
PRAGMA import_database('{folder}')
CALL enable_logging(storage = 'file', storage_path = '{folder}/logs')
SELECT * FROM snapshots
SELECT * FROM main.snapshots
SELECT * FROM published.vehicle_state
SELECT * FROM secret_of_python
SELECT * FROM duckdb
SELECT getenv('HOME')
SELECT repeat('x', 4000000000)
SELECT len(range(3000000000))
SELECT list(repeat('x', 1000)) FROM range(100000000)
SELECT count(*) FROM (SELECT DISTINCT range || repeat('x', 1000) FROM range(50000000))
"""
# What may be asked, and must say nothing of the server.
TELLING = """
SELECT * FROM duckdb_settings()
SELECT * FROM duckdb_databases()
SELECT * FROM duckdb_secrets()
SELECT * FROM duckdb_temporary_files()
SELECT * FROM duckdb_extensions()
SELECT * FROM duckdb_logs
SELECT * FROM pragma_database_list
SELECT * FROM information_schema.tables
SELECT * FROM duckdb_tables()
"""
PROCESS = """
import json, sys
import pyarrow as pa
from pipelines.query.fence import Question, fenced
question, tried = json.load(sys.stdin)
secret_of_python = pa.table({"secret": ["nobody may read this"]})
database, _ = fenced(Question(**question))
for sql in tried:
    try:
        print(json.dumps([sql, repr(database.cursor().execute(sql).fetchall())[:100_000]]), flush=True)
    except (Exception, MemoryError) as error:
        print(json.dumps([sql, None]), flush=True)
"""


class Listener:
    """A port of this machine that remembers whether anybody came."""

    def __init__(self) -> None:
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.port, self.came = self.socket.getsockname()[1], 0
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            try:
                self.socket.accept()[0].close()
            except OSError:
                return
            self.came += 1


@pytest.fixture(scope="module")
def tried(asked_store, tmp_path_factory):
    """What became of each break-out: its answer, None where it was refused; and what is left of it."""
    folder = tmp_path_factory.mktemp("outside")
    secret = folder / "secret.txt"
    secret.write_text(HIDDEN)
    listener = Listener()
    state = asked_store.state_file(asked_store.version())
    filled = {"folder": folder, "secret": secret, "store": state, "port": listener.port}
    attacks, questions = (
        [line.format(**filled) for line in lines.strip().splitlines()] for lines in (BROKEN_OUT, TELLING)
    )
    question = {
        "store": str(asked_store.path), "sql": "FROM vehicle_state", "as_of": None, "seconds": 60.0,
        "memory_bytes": 2**27, "rows": 10, "answer_bytes": 1000,
    }  # fmt: skip
    ran = subprocess.run(
        [sys.executable, "-c", PROCESS],
        input=json.dumps([question, [*attacks, *questions]]), capture_output=True, text=True, check=False,
        env=os.environ | {"LEEWAY_SECRET": HIDDEN},
    )  # fmt: skip
    answers = dict(json.loads(line) for line in ran.stdout.splitlines())
    left = sorted(path.name for path in folder.rglob("*"))
    listener.socket.close()
    return attacks, questions, answers, left, listener.came, ran.stderr


def test_every_break_out_is_refused_and_leaves_nothing(tried):
    attacks, _, answers, left, came, errors = tried
    assert len(answers) > len(attacks), errors  # nothing ended the process
    assert [sql for sql in attacks if answers[sql] is not None] == []
    assert left == ["secret.txt"]
    assert came == 0


def test_what_may_be_asked_tells_nothing_of_the_server(tried, asked_store):
    _, questions, answers, *_ = tried
    said = "".join(answers[sql] or "" for sql in questions)
    assert "vehicle_state" in said
    for told in (HIDDEN, str(asked_store.path), os.path.expanduser("~"), "snapshots"):  # noqa: PTH111
        assert told not in said
