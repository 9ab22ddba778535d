"""Which tables can be asked and what their columns mean; puts those that a query names into an empty database.

Whatever the query does then, nothing else is there: neither readings nor the store's files.
"""

import re
from collections import defaultdict
from collections.abc import Mapping
from datetime import datetime
from functools import cache

import duckdb
import polars as pl

from pipelines.catalogue.tables import Column, Table, drop_tables, more_published, published_tables
from pipelines.store.connection import quoted
from pipelines.store.fleet_reads import fleet_table
from pipelines.store.folder import Store
from pipelines.store.schema import SQL_TYPES, columns_of

EVERY = "all_states"  # schema of the same tables with the rows of every state that is kept
OF_THE_FLEET = ("vehicles", "corrections", "components")  # as they are known now, for joins
BATCH_ROWS = 50_000
AS_OF = Column(
    name="as_of", dtype="time", unit="", key=False, required=False, meaning="the time whose knowledge the row rests on"
)


@cache
def described() -> Mapping[str, Table]:
    """Every table that can be asked, by name, with all its columns; published ones end with `as_of`."""
    columns: dict[str, list[Column]] = defaultdict(list)
    for tables in (published_tables(), more_published()):
        for name, table in tables.items():
            columns[name] += table.columns
    published = {name: Table(name=name, columns=(*each, AS_OF)) for name, each in columns.items()}
    return published | {name: drop_tables()[name] for name in OF_THE_FLEET}


def named_in(sql: str) -> set[str]:
    """Words of the text that name a table, or `all_states`: one too many costs a moment, one too few is an error."""
    return set(re.findall(r"[a-z_0-9]+", sql.casefold())) & {EVERY, *described()}


def fill(
    database: duckdb.DuckDBPyConnection, store: Store, named: set[str], as_of: datetime | None
) -> dict[str, datetime | None]:
    """Copy tables into the database.

    Args:
        database: Without tables of these names.
        store: Where from.
        named: Which tables; with `all_states`, the rows of every state that is kept too, in a schema of that name.
        as_of: The state to show; None: the newest. A table that was not published then shows its newest state before.

    Returns:
        Which state each published table shows; None: it has none yet, and no rows.

    Raises:
        StoreError: there is no store, or it is damaged.
    """
    for name in sorted(named & set(OF_THE_FLEET)):
        _put(database, quoted(name), fleet_table(store, name))
    if EVERY in named:
        database.execute(f"CREATE SCHEMA {EVERY}")
    shown: dict[str, datetime | None] = {}
    with store.reading() as source:
        states: dict[str, list[datetime]] = defaultdict(list)
        for name, state in source.execute("SELECT table_name, as_of FROM publications ORDER BY as_of").fetchall():
            states[name].append(state)
        for name in sorted(named - {EVERY, *OF_THE_FLEET}):
            before = [state for state in states[name] if as_of is None or state <= as_of]
            shown[name] = before[-1] if before else None
            _copy(database, source, name, quoted(name), before[-1:])
            if EVERY in named:
                _copy(database, source, name, f"{EVERY}.{quoted(name)}", states[name])
    return shown


def _copy(
    database: duckdb.DuckDBPyConnection,
    source: duckdb.DuckDBPyConnection,
    name: str,
    target: str,
    states: list[datetime],
) -> None:
    table = described()[name]
    have = columns_of(source, name, "published")
    if not have:
        _put(database, target, table.empty())
        return
    columns = ", ".join(  # an earlier release did not publish all of them
        quoted(each.name) if each.name in have else f"NULL::{SQL_TYPES[each.dtype]} AS {quoted(each.name)}"
        for each in table.columns
    )
    # The rows of some states, as they were published.
    query = f"SELECT {columns} FROM published.{quoted(name)} WHERE list_contains($states, as_of) ORDER BY rowid"
    came = source.sql(query, params={"states": states}).to_arrow_reader(BATCH_ROWS)
    database.register("came", came)
    database.execute(f"CREATE TABLE {target} AS FROM came")
    database.unregister("came")


def _put(database: duckdb.DuckDBPyConnection, target: str, rows: pl.DataFrame) -> None:
    database.register("came", rows.to_arrow())
    database.execute(f"CREATE TABLE {target} AS FROM came")
    database.unregister("came")
