"""Takes back what loads brought: their rows go, what these had taken the place of stands again, flags follow.

Afterwards everything that is read from the store is as if it had never had these loads; what they brought stays in
`<table>_replaced`, for questions about what was known before. Works inside the caller's transaction.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import duckdb
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.errors import SettingError
from pipelines.flags.plausibility import judge_again, judge_references
from pipelines.store.bringing import bring_all
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.folder import Store
from pipelines.store.history import STANDING, same, standing
from pipelines.store.loads import add_flags
from pipelines.store.schema import columns_of, stored_key

GONE = "(SELECT load_id FROM going)"  # the loads that are being withdrawn


@dataclass(frozen=True, kw_only=True)
class Withdrawn:
    """What a withdrawal did.

    loads: One row a load: load_id, drop_name, file, table_name, row_count.
    gone: Rows that stood and do not any more.
    back: Rows that they had taken the place of, or that other loads brought too, and that stand again.
    """

    loads: pl.DataFrame
    gone: int
    back: int


def withdraw(store: Store, names: Sequence[str], *, at: datetime | None = None) -> Withdrawn:
    """Withdraw loads by their numbers, or by the names of drops for all loads of theirs.

    Args:
        store: Whose.
        names: Numbers of loads, names of drops.
        at: When; None: now.

    Raises:
        SettingError: there is no such load, or it was withdrawn before.
        StoreError: the store is locked, damaged or full.
    """
    with store.writing(f"withdraw {', '.join(names)}", wait_s=60.0) as connection:
        loads = _meant(store, connection, names)
        connection.register("going", loads)
        gone, back = _take_back(connection, at or datetime.now(UTC))
        connection.unregister("going")
    return Withdrawn(loads=loads, gone=gone, back=back)


def _meant(store: Store, connection: duckdb.DuckDBPyConnection, names: Sequence[str]) -> pl.DataFrame:
    loads = frame_of(
        connection,
        "SELECT load_id, drop_name, file, table_name, row_count, withdrawn_at FROM loads ORDER BY load_id",
    )
    meant = []
    for name in names:
        named = pl.lit(value=False) if not name.isdigit() else pl.col("load_id") == int(name)
        found = loads.filter(named)
        if found.is_empty():
            found = loads.filter(pl.col("drop_name") == name)
        if found.is_empty():
            raise SettingError(f"{store.path}: has no load '{name}'. See leeway store loads.")
        if found["withdrawn_at"].null_count() == 0:
            raise SettingError(f"{store.path}: load '{name}' was withdrawn before. See leeway store loads.")
        meant.append(found.filter(pl.col("withdrawn_at").is_null()))
    return pl.concat(meant).unique("load_id", maintain_order=True).drop("withdrawn_at")


def _take_back(connection: duckdb.DuckDBPyConnection, at: datetime) -> tuple[int, int]:
    """How many rows went, and how many stand again."""
    bring_all(connection)  # references and clocks of every vehicle are judged again
    connection.execute(f"UPDATE loads SET withdrawn_at = ? WHERE load_id IN {GONE}", [at])
    gone = back = 0
    for table in drop_tables():
        went, came = _stand_again(connection, table, at)
        gone, back = gone + went.height, back + came.height
        if table == "snapshots":
            add_flags(connection, judge_again(connection, pl.concat([went, came]).unique()))
    add_flags(connection, judge_references(connection, now=at))
    connection.execute(
        "UPDATE quarantine SET mended_by = (SELECT max(load_id) FROM mended "
        f"WHERE mended.quarantine_id = quarantine.quarantine_id AND load_id IN {STANDING}) "
        f"WHERE quarantine_id IN (SELECT quarantine_id FROM mended WHERE load_id IN {GONE})"
    )
    return gone, back


def _stand_again(connection: duckdb.DuckDBPyConnection, table: str, at: datetime) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Of every key that going loads brought, let stand what stands without them: keys that went, keys that came."""
    key, columns = stored_key(drop_tables()[table]), list(columns_of(connection, table))
    listed = ", ".join(quoted(name) for name in key)
    sources = [table, f"{table}_replaced", *(["readings_brought"] if table == "readings" else [])]
    theirs = " UNION ".join(f"SELECT {listed} FROM {source} WHERE load_id IN {GONE}" for source in sources)
    connection.execute(f"CREATE TEMP TABLE touched AS {theirs}")
    if not one_row(connection, "SELECT count(*) FROM touched")[0]:
        nothing = frame_of(connection, "FROM touched")
        connection.execute("DROP TABLE touched")
        return nothing, nothing
    connection.execute(f"CREATE TEMP TABLE standing AS FROM {standing(table, columns, STANDING, 'touched')}")
    names = ", ".join(quoted(name) for name in columns)
    connection.execute(
        f"CREATE TEMP TABLE stood AS SELECT t.*, t.rowid AS place FROM {table} t "
        f"SEMI JOIN touched k ON {same(key, 't', 'k')}"
    )
    # Rows that stand already, every column alike, stay where they are.
    connection.execute(
        f"CREATE TEMP TABLE going_rows AS FROM stood o ANTI JOIN standing s ON {same(columns, 'o', 's')}; "
        f"CREATE TEMP TABLE coming AS FROM standing s ANTI JOIN stood o ON {same(columns, 's', 'o')}"
    )
    gone, back = (frame_of(connection, f"SELECT {listed} FROM {source}") for source in ("going_rows", "coming"))
    connection.execute(
        f"INSERT INTO {table}_replaced BY NAME "
        f"SELECT *, NULL::INTEGER AS replaced_by, ?::TIMESTAMPTZ AS replaced_at FROM {table} "
        "WHERE rowid IN (SELECT place FROM going_rows)",
        [at],
    )
    connection.execute(f"DELETE FROM {table} WHERE rowid IN (SELECT place FROM going_rows)")
    connection.execute(f"INSERT INTO {table} BY NAME SELECT {names} FROM coming ORDER BY {listed}")
    connection.execute(
        "DROP TABLE touched; DROP TABLE standing; DROP TABLE stood; DROP TABLE going_rows; DROP TABLE coming"
    )
    return gone, back
