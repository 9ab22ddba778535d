"""The store's tables and the named steps that bring an older store to this release's form; no rows but the version.

Raw tables hold the contract's columns in arrival order without a primary key (keys are checked where rows are merged,
see `rows`), with `load_id`; `<table>_replaced` keeps what newer content took the place of, and what was withdrawn;
`<table>_repeated` says which loads brought the content of a row again, `readings_brought` what each of several loads
brought of a row that they share.
"""

from collections.abc import Callable
from pathlib import Path

import duckdb

from pipelines.catalogue.tables import Table, drop_tables
from pipelines.errors import StoreError
from pipelines.store.connection import one_row, quoted

SQL_TYPES = {
    "text": "VARCHAR",
    "int": "BIGINT",
    "float": "DOUBLE",
    "bool": "BOOLEAN",
    "date": "DATE",
    "time": "TIMESTAMPTZ",
}

BOOKKEEPING = """
    CREATE TABLE setting (name VARCHAR, value VARCHAR);
    -- One row per file that was handed over, whether or not it could be read.
    CREATE TABLE loads (
        load_id INTEGER, drop_name VARCHAR, file VARCHAR, path VARCHAR, table_name VARCHAR, content_hash VARCHAR,
        loaded_at TIMESTAMPTZ, row_count BIGINT, loaded BIGINT, repeated BIGINT, replaced BIGINT, quarantined BIGINT,
        flagged BIGINT, naive_times BIGINT, time_zone VARCHAR, extra_columns VARCHAR, unreadable VARCHAR
    );
    -- One row per row that broke the contract; original: its cells as they came, as JSON.
    CREATE TABLE quarantine (
        quarantine_id INTEGER, load_id INTEGER, row_number BIGINT, column_name VARCHAR, reason VARCHAR, detail VARCHAR,
        original VARCHAR, mended_by INTEGER
    );
    -- One row per value that loaded although something about it is unusual.
    CREATE TABLE flags (
        load_id INTEGER, row_number BIGINT, vehicle_id VARCHAR, column_name VARCHAR, reason VARCHAR, detail VARCHAR
    );
    CREATE SCHEMA published;
    -- One row per table and as_of that is kept.
    CREATE TABLE publications (table_name VARCHAR, as_of TIMESTAMPTZ, published_at TIMESTAMPTZ, row_count BIGINT);
"""
PROPOSALS = """
    -- One row per file and column whose values look like another unit; text: the line that the report had.
    CREATE TABLE proposals (
        load_id INTEGER, column_name VARCHAR, unit VARCHAR, readings BIGINT, vehicles BIGINT, example VARCHAR,
        text VARCHAR
    );
"""

LOG_VALUES = """
    -- One row per value that rows of a log made: how many of them counted, the tenth and ninetieth of a hundred.
    CREATE TABLE IF NOT EXISTS log_values (
        load_id INTEGER, vehicle_id VARCHAR, read_at TIMESTAMPTZ, column_name VARCHAR, row_count BIGINT, least DOUBLE,
        most DOUBLE
    );
"""

DEPOT_SINCE = """
    ALTER TABLE vehicles ADD COLUMN IF NOT EXISTS depot_since DATE;
    ALTER TABLE vehicles_replaced ADD COLUMN IF NOT EXISTS depot_since DATE;
"""


MENDED = """
    -- One row per quarantined row and load that brought it again, mended or not.
    CREATE TABLE mended (quarantine_id INTEGER, load_id INTEGER);
    INSERT INTO mended SELECT quarantine_id, mended_by FROM quarantine WHERE mended_by IS NOT NULL;
"""
READING = ("vehicle_id", "read_at", "load_id")  # what long readings have beside their corrections


def stored_key(table: Table) -> list[str]:
    """Key of the raw table: readings are stored one row per snapshot, one column per correction."""
    return ["vehicle_id", "read_at"] if table.name == "readings" else table.key


def _create_tables(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute(BOOKKEEPING)
    for table in drop_tables().values():
        keys = stored_key(table)
        stored = [c for c in table.columns if table.name != "readings" or c.name in keys]
        columns = ", ".join(f'"{c.name}" {SQL_TYPES[c.dtype]}' for c in stored)
        connection.execute(f"CREATE TABLE {table.name} ({columns}, load_id INTEGER)")
        connection.execute(
            f"CREATE TABLE {table.name}_replaced "
            f"({columns}, load_id INTEGER, replaced_by INTEGER, replaced_at TIMESTAMPTZ)"
        )


def _prepare_withdrawals(connection: duckdb.DuckDBPyConnection) -> None:
    """What loads of before repeated is not known; what they added to a row of long readings, is where they differ."""
    connection.execute("ALTER TABLE loads ADD COLUMN withdrawn_at TIMESTAMPTZ")
    connection.execute(MENDED)
    for table in drop_tables().values():
        if table.name != "readings":
            keys = ", ".join(f'"{c.name}" {SQL_TYPES[c.dtype]}' for c in table.columns if c.name in stored_key(table))
            connection.execute(f"CREATE TABLE {table.name}_repeated ({keys}, load_id INTEGER, same_as INTEGER)")
    codes = [quoted(name) for name in columns_of(connection, "readings") if name not in READING]
    added = ", ".join(
        f"CASE WHEN {c} IS DISTINCT FROM lag({c} IGNORE NULLS) OVER line THEN {c} END AS {c}" for c in codes
    )
    connection.execute(
        f"""CREATE TABLE readings_brought AS
        SELECT vehicle_id, read_at, {f"{added}," if added else ""} load_id
        FROM (SELECT *, 1 AS stands, rowid AS nth FROM readings UNION ALL BY NAME
              SELECT * EXCLUDE (replaced_by, replaced_at), 0 AS stands, rowid AS nth FROM readings_replaced)
        SEMI JOIN readings_replaced USING (vehicle_id, read_at)
        WINDOW line AS (PARTITION BY vehicle_id, read_at ORDER BY load_id, stands, nth)
        ORDER BY load_id, stands, nth"""
    )


def _add_readers(connection: duckdb.DuckDBPyConnection) -> None:
    for table in ("snapshots", "snapshots_replaced"):
        connection.execute(f"ALTER TABLE {table} ADD COLUMN IF NOT EXISTS reader VARCHAR")


EXCHANGED = "goes on where another vehicle stopped and that one where this did: swapped in the file?"


def _forget_exchanges(connection: duckdb.DuckDBPyConnection) -> None:
    """Flags on exchanged vehicles, which wait for a decision instead, as what is held."""
    connection.execute("DELETE FROM flags WHERE reason = ?", [EXCHANGED])


Step = Callable[[duckdb.DuckDBPyConnection], object]
STEPS: list[tuple[str, Step]] = [
    ("raw tables, bookkeeping and published tables", _create_tables),
    ("proposals of units", lambda connection: connection.execute(PROPOSALS)),
    ("loads that can be withdrawn", _prepare_withdrawals),
    ("readers of snapshots", _add_readers),
    ("date from which a vehicle's depot holds", lambda connection: connection.execute(DEPOT_SINCE)),
    ("no flags on exchanged vehicles", _forget_exchanges),
    ("what values of logs rest on", lambda connection: connection.execute(LOG_VALUES)),
]


def stored_version(connection: duckdb.DuckDBPyConnection) -> int:
    """How many steps the store has behind it; 0: it is empty."""
    found = one_row(
        connection,
        "SELECT count(*) FROM duckdb_columns() WHERE database_name = current_database() AND table_name = 'setting'",
    )
    return int(get_setting(connection, "schema_version") or 0) if found[0] else 0


def is_current(version: int) -> bool:
    """Whether a store of this version has this release's form."""
    return version == len(STEPS)


def check_version(connection: duckdb.DuckDBPyConnection, place: Path) -> int:
    """The store's version; one that a newer release wrote is refused.

    Raises:
        StoreError: its version is above this release's.
    """
    version = stored_version(connection)
    if version > len(STEPS):
        raise StoreError(
            f"{place}: has form {version}, this release knows up to {len(STEPS)}. Install the newer release."
        )
    return version


def migrate(connection: duckdb.DuckDBPyConnection) -> None:
    """Take the steps that are still to take, inside the caller's transaction."""
    for number, (_, step) in list(enumerate(STEPS, start=1))[stored_version(connection) :]:
        step(connection)
        put_setting(connection, "schema_version", str(number))


def get_setting(connection: duckdb.DuckDBPyConnection, name: str) -> str | None:
    """A setting kept in the store; None: never set."""
    value: str | None = one_row(connection, "SELECT max(value) FROM setting WHERE name = ?", [name])[0]
    return value


def put_setting(connection: duckdb.DuckDBPyConnection, name: str, value: str) -> None:
    """Keep a setting in the store."""
    connection.execute("DELETE FROM setting WHERE name = ?", [name])
    connection.execute("INSERT INTO setting VALUES (?, ?)", [name, value])


def columns_of(connection: duckdb.DuckDBPyConnection, table: str, schema: str = "main") -> dict[str, str]:
    """Column name -> SQL type of a table, in its order; empty: no such table."""
    rows = connection.execute(
        "SELECT column_name, data_type FROM duckdb_columns() "
        "WHERE database_name = current_database() AND schema_name = ? AND table_name = ? AND column_name <> 'rowid' "
        "ORDER BY column_index",
        [schema, table],
    ).fetchall()
    return dict(rows)


def columns_of_all(connection: duckdb.DuckDBPyConnection) -> dict[str, list[str]]:
    """Names of the columns of every raw table, in their order."""
    rows = connection.execute(
        "SELECT table_name, column_name FROM duckdb_columns() "
        "WHERE database_name = current_database() AND schema_name = 'main' AND column_name <> 'rowid' "
        "ORDER BY table_name, column_index"
    ).fetchall()
    names: dict[str, list[str]] = {}
    for table, column in rows:
        names.setdefault(table, []).append(column)
    return names


def filled_tables(connection: duckdb.DuckDBPyConnection) -> set[str]:
    """Raw tables that hold a row, or held one, or may, as views; asking them costs more than asking which these are."""
    rows = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database() AND schema_name = 'main' "
        "AND estimated_size > 0 UNION ALL "
        "SELECT view_name FROM duckdb_views() WHERE database_name = current_database() AND schema_name = 'main'"
    ).fetchall()
    return {row[0] for row in rows}
